"""What stands over a whole system where the engraver hides the stave that it stands over.

The engraver hides staves of a score that are silent for a system, and with the uppermost one the
tempo, the bar numbers, the beat groups and the place of boxed letters. They go to the next stave
below that is drawn.
"""

import re
from collections.abc import Sequence

from lxml import etree

from retro.engraving.octaves import MEI, XML_ID

DRAWN_STAVE = re.compile(r'<g id="([^"]*)" class="staff"[^>/]*>')
BEAT_GROUPS = re.compile(r"[0-9]+(\+[0-9]+)+")


def with_marks_shown(mei: str, pictures: Sequence[str]) -> str | None:
    """Return the music with the marks of its systems over staves that are drawn.

    None where they all are. Of equal marks that meet on one stave the first is kept; what has no
    stave below it goes, as the strings' own copy where they are silent.

    Parameters
    ----------
    mei
        The music in the engraver's own format.
    pictures
        Its systems as the engraver has drawn them, each stave with its name.
    """
    drawn = {name for picture in pictures for name in DRAWN_STAVE.findall(picture)}
    root = etree.fromstring(mei.encode())
    is_moved = False
    for bar in root.iter(f"{MEI}measure"):
        shown = [
            int(stave.get("n", "1"))
            for stave in bar.iterfind(f"{MEI}staff")
            if stave.get(XML_ID) in drawn
        ]
        said: set[tuple[object, ...]] = set()
        for mark in [child for child in bar if is_of_system(child)]:
            stave = int(mark.get("staff", "1"))
            below = next((number for number in shown if number >= stave), None)
            is_moved = is_moved or below != stave
            what = (mark.tag, mark.get("tstamp"), "".join(map(str, mark.itertext())), below)
            if below is None or what in said:
                bar.remove(mark)
                continue
            mark.set("staff", str(below))
            said.add(what)
    return str(etree.tostring(root, encoding="unicode")) if is_moved else None


def is_of_system(mark: etree._Element) -> bool:
    """Whether a sign is a tempo, a boxed letter, a bar number or beat groups."""
    if mark.tag != f"{MEI}dir":
        return mark.tag in (f"{MEI}tempo", f"{MEI}reh")
    words = "".join(map(str, mark.itertext())).strip()
    return (
        mark.get("type") == "bar-number"
        or mark.find(f".//{MEI}rend[@fontweight='bold']") is not None
        or BEAT_GROUPS.fullmatch(words) is not None
    )

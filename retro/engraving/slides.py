"""Glissandi from a lower stave up to another, for the engraver, which seeks their end behind them.

In MusicXML the staves of a bar stand one after the other: the end of such a line comes first.
"""

from collections.abc import Sequence

from lxml import etree

from retro.engraving.octaves import MEI, XML_ID

Slides = tuple[tuple[str, str], ...]
"""The names of the first and the last head of each line."""


def take_slides(parts: Sequence[etree._Element]) -> Slides:
    """Take the lines out of a document whose end stands before their beginning, and return them."""
    taken: list[tuple[str, str]] = []
    for part in parts:
        ended: dict[str | None, etree._Element] = {}
        begun: set[str | None] = set()
        for sign in part.findall("measure/note/notations/glissando"):
            number = sign.get("number")
            if sign.get("type") == "stop":
                if number not in begun:
                    ended[number] = sign
                begun.discard(number)
            elif number in ended:
                stop = ended.pop(number)
                taken.append((_name(sign), _name(stop)))
                _remove(sign)
                _remove(stop)
            else:
                begun.add(number)
    return tuple(taken)


def _name(sign: etree._Element) -> str:
    note = next(sign.iterancestors("note"))
    return str(note.get("id", ""))


def _remove(sign: etree._Element) -> None:
    notations = sign.getparent()
    if notations is None:
        return
    notations.remove(sign)
    note = notations.getparent()
    if not len(notations) and note is not None:
        note.remove(notations)


def with_slides(mei: str, slides: Slides) -> str:
    """Draw the lines that were taken out, each in the bar where it begins."""
    root = etree.fromstring(mei.encode())
    bars = {note.get(XML_ID): note for note in root.iter(f"{MEI}note")}
    for first, last in slides:
        bar = next(bars[first].iterancestors(f"{MEI}measure"))
        etree.SubElement(bar, f"{MEI}gliss", startid=f"#{first}", endid=f"#{last}", lform="wavy")
    return str(etree.tostring(root, encoding="unicode"))

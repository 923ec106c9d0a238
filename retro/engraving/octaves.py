"""Ottava lines for the engraver, which moves the heads under a line on the first part only.

A head under a line stands an octave or two nearer to the stave than it sounds. MusicXML gives the
sounding octave; the engraver's own format gives both.
"""

from lxml import etree

XML_ID = "{http://www.w3.org/XML/1998/namespace}id"
MEI = "{http://www.music-encoding.org/ns/mei}"

Shifts = dict[str, int]
"""Octaves that each named head sounds above where it stands."""


def octave_shifts(parts: list[etree._Element]) -> Shifts:
    """Return the heads of a score that stand under ottava lines."""
    shifts: Shifts = {}
    for part in parts:
        if part.find("measure/direction/direction-type/octave-shift") is None:
            continue
        under: dict[str, int] = {}
        for measure in part.iterfind("measure"):
            shifts |= _in_measure(measure, under)
    return shifts


def _in_measure(measure: etree._Element, under: dict[str, int]) -> Shifts:
    """Return the heads of one bar under lines; `under` holds the open lines by stave."""
    lines: dict[str, list[tuple[int, int]]] = {staff: [(0, n)] for staff, n in under.items()}
    heads: list[tuple[str, int, str]] = []
    at = begun = 0
    for child in measure:
        duration = int(child.findtext("duration", "0"))
        staff = child.findtext("staff", "1")
        if child.tag == "note":
            if child.find("chord") is None:
                begun, at = at, at + duration
            heads.append((staff, begun, child.get("id", "")))
        elif child.tag in ("forward", "backup"):
            at += duration if child.tag == "forward" else -duration
        for shift in child.iterfind("direction-type/octave-shift"):
            lines.setdefault(staff, [(0, 0)]).append((at, _octaves(shift)))
    under |= {staff: changes[-1][1] for staff, changes in lines.items()}
    placed = {
        head: [octaves for start, octaves in lines[staff] if start <= on][-1]
        for staff, on, head in heads
        if head and staff in lines
    }
    return {head: octaves for head, octaves in placed.items() if octaves}


def _octaves(shift: etree._Element) -> int:
    kind = shift.get("type")
    if kind == "stop":
        return 0
    octaves = 1 if shift.get("size", "8") == "8" else 2
    return octaves if kind == "down" else -octaves


def with_octaves(mei: str, shifts: Shifts) -> str:
    """Stand the heads under ottava lines where they are read."""
    root = etree.fromstring(mei.encode())
    for note in root.iter(f"{MEI}note"):
        octaves = shifts.get(note.get(XML_ID, ""), 0)
        if octaves and note.get("oct.ges") is None:
            sounding = int(note.get("oct", "0"))
            note.set("oct", str(sounding - octaves))
            note.set("oct.ges", str(sounding))
    return str(etree.tostring(root, encoding="unicode"))

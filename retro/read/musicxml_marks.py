"""What the notations of one MusicXML note say: marks on it, and the ends of lines."""

from collections.abc import Iterator
from dataclasses import dataclass

from lxml import etree

from retro.model.signs import SignKind

ARTICULATIONS = {
    "accent": SignKind.ACCENT,
    "strong-accent": SignKind.STRONG_ACCENT,
    "staccato": SignKind.STACCATO,
    "staccatissimo": SignKind.STACCATISSIMO,
    "spiccato": SignKind.STACCATISSIMO,
    "tenuto": SignKind.TENUTO,
    "detached-legato": SignKind.DETACHED_LEGATO,
}

LINES = {
    "slur": SignKind.SLUR,
    "glissando": SignKind.GLISSANDO,
    "slide": SignKind.GLISSANDO,
}

UNMEASURED = 3
"""From so many strokes on a tremolo is not counted out (common practice)."""


@dataclass(frozen=True, slots=True)
class NoteMark:
    """A mark on a note, or the end of a line on it.

    `end` is ``start`` or ``stop`` for a line; of a tremolo ``single``, ``start`` or ``stop``.
    `number` is that of a line; of a tremolo its strokes.
    """

    kind: SignKind
    end: str = ""
    number: str = ""


def marks_of(note: etree._Element) -> Iterator[NoteMark]:
    """Yield the marks of a note in the order of the file."""
    for notations in note.iterchildren("notations"):
        for element in notations.iterchildren():
            tag = str(element.tag)
            if tag in LINES:
                yield NoteMark(LINES[tag], element.get("type", ""), element.get("number", "1"))
            elif tag == "articulations":
                known = (ARTICULATIONS.get(str(child.tag)) for child in element.iterchildren())
                yield from (NoteMark(kind) for kind in known if kind)
            elif tag == "ornaments":
                yield from _ornaments(element)
            elif tag == "arpeggiate":
                is_down = element.get("direction") == "down"
                yield NoteMark(SignKind.ARPEGGIO_DOWN if is_down else SignKind.ARPEGGIO_UP)
            elif tag == "fermata":
                yield NoteMark(SignKind.FERMATA)


def _ornaments(element: etree._Element) -> Iterator[NoteMark]:
    for ornament in element.iterchildren():
        if ornament.tag == "trill-mark":
            yield NoteMark(SignKind.TRILL)
        elif ornament.tag == "tremolo":
            strokes = (ornament.text or "").strip()
            kind = ornament.get("type", "single")
            yield NoteMark(SignKind.TREMOLO, kind, strokes if strokes in "12345678" else "3")

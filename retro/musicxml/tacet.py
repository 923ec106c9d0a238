"""Bars of a given score made silent: rests, and what the bars around them need.

Kept in a silent bar are attributes, page and system breaks, bar lines, rehearsal marks, tempo and
what steers the order; and the ends of lines that come from outside or go on there, so that no line
outside loses its end.
"""

from collections.abc import Collection, Iterator, Sequence
from copy import deepcopy
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from lxml import etree

from retro.musicxml.elements import add, element, words
from retro.read.musicxml_measures import staff_of
from retro.read.musicxml_tempo import is_tempo

HEAD = ("print", "attributes")
NOTES = ("note", "backup", "forward")

LINES_OVER = {
    "wedge": ("crescendo", "diminuendo"),
    "dashes": ("start",),
    "bracket": ("start",),
    "octave-shift": ("up", "down"),
    "pedal": ("start", "sostenuto"),
}
"""Lines that directions draw, with the types that begin them."""

LINES_ON = ("slur", "glissando", "slide", "wavy-line")
"""Lines that notes draw."""

ENDS = ("stop", "discontinue")

OF_ALL = ("rehearsal", "metronome", "segno", "coda")
"""Directions that are for everybody."""

STEERING = ("tempo", "dacapo", "segno", "dalsegno", "coda", "tocoda", "fine", "divisions")


@dataclass(frozen=True, slots=True, kw_only=True)
class SilentBar:
    """What one part holds in one silent bar.

    `divisions` are units of a quarter note in force at its start, `words` what stands over it.
    """

    length_beats: Fraction
    divisions: Fraction
    staves: int
    words: str = ""


def only_rests(measure: etree._Element) -> bool:
    """Return whether nothing sounds in a measure."""
    return all(note.find("rest") is not None for note in measure.iterchildren("note"))


def crossing(measures: Sequence[etree._Element], inside: Collection[int]) -> set[etree._Element]:
    """Return the ends of lines that stand in silent bars while their other ends stand outside."""
    opened: dict[tuple[str, str], tuple[int, etree._Element]] = {}
    kept: set[etree._Element] = set()
    for index, measure in enumerate(measures):
        for end in measure.iter(*LINES_OVER, *LINES_ON):
            tag, kind = str(end.tag), end.get("type", "")
            key = (tag, end.get("number", "1"))
            if kind in LINES_OVER.get(tag, ("start",)):
                opened[key] = (index, end)
            elif kind in ENDS and key in opened:
                begun, start = opened.pop(key)
                if (begun in inside) != (index in inside):
                    kept.add(start if begun in inside else end)
    return kept


def hanging_ties(measures: Sequence[etree._Element], inside: Collection[int]) -> int:
    """Count the ties that lead into silent bars or out of them."""
    first, last = min(inside), max(inside)
    count = 0
    if first > 0:
        count += len(measures[first].findall("note/tie[@type='stop']"))
    if last + 1 < len(measures):
        count += len(measures[last].findall("note/tie[@type='start']"))
    return count


def silent_children(
    measure: etree._Element, bar: SilentBar, kept: Collection[etree._Element]
) -> list[etree._Element | int]:
    """Return what a measure holds once it is silent; a number stands for that child as it is."""
    head: list[etree._Element | int] = []
    tail: list[etree._Element | int] = []
    placed: list[tuple[Fraction, etree._Element | int]] = []
    at = Fraction(0)
    has_notes = False
    for index, child in enumerate(measure):
        tag = str(child.tag)
        if tag in NOTES:
            has_notes = True
            at = _moved(child, at)
        elif tag in HEAD:
            (tail if has_notes and tag == "attributes" else head).append(index)
        elif tag == "barline":
            (head if child.get("location") == "left" else tail).append(index)
        elif tag == "direction":
            direction = _kept_direction(child, kept)
            if direction is not None:
                placed.append((at, index if direction is child else direction))
        elif tag == "sound" and any(child.get(name) for name in STEERING):
            placed.append((at, index))
    lines = [_line_on(note, line) for note, line in _lines_on(measure, kept)]
    said = [words(bar.words, above=True)] if bar.words else []
    return [*head, *said, *_in_place(placed), *rests(bar, lines), *tail]


def _moved(child: etree._Element, at: Fraction) -> Fraction:
    if child.find("chord") is not None or child.find("grace") is not None:
        return at
    length = Fraction(child.findtext("duration", "0").strip() or "0")
    return max(at - length, Fraction(0)) if child.tag == "backup" else at + length


def _kept_direction(
    direction: etree._Element, kept: Collection[etree._Element]
) -> etree._Element | None:
    """Return what stays of a direction: all of it, a copy with less, or nothing."""
    sound = direction.find("sound")
    steers = sound is not None and any(sound.get(name) for name in STEERING)
    types = direction.findall("direction-type")
    stay = [any(_stays(kind, kept, steers) for kind in each) for each in types]
    if all(stay):
        return direction
    if not any(stay):
        return deepcopy(sound) if steers and sound is not None else None
    copy = deepcopy(direction)
    for each, stays in zip(copy.findall("direction-type"), stay, strict=True):
        if not stays:
            copy.remove(each)
    return copy


def _stays(kind: etree._Element, kept: Collection[etree._Element], steers: bool) -> bool:
    if kind in kept or kind.tag in OF_ALL:
        return True
    text = "".join(map(str, kind.itertext()))
    return kind.tag == "words" and (steers or is_tempo(text))


def _lines_on(
    measure: etree._Element, kept: Collection[etree._Element]
) -> Iterator[tuple[etree._Element, etree._Element]]:
    for note in measure.iterchildren("note"):
        for line in note.iter(*LINES_ON):
            if line in kept:
                yield note, line


def _line_on(note: etree._Element, line: etree._Element) -> tuple[int, etree._Element]:
    """Return the stave of a note, and the end of a line for a rest on it."""
    end = element(str(line.tag), type=line.get("type", ""), number=line.get("number", "1"))
    if line.tag == "wavy-line":
        ornaments = element("ornaments")
        ornaments.append(end)
        end = ornaments
    return staff_of(note.findtext("staff")), end


def _in_place(
    placed: Sequence[tuple[Fraction, etree._Element | int]],
) -> Iterator[etree._Element | int]:
    """Yield what stands inside a bar at its place, coming back to the start of the bar."""
    for at, child in placed:
        if at:
            yield _move("forward", at)
        yield child
        if at:
            yield _move("backup", at)


def _move(tag: str, units: Fraction) -> etree._Element:
    move = element(tag)
    add(move, "duration", decimal(units))
    return move


def rests(bar: SilentBar, lines: Sequence[tuple[int, etree._Element]] = ()) -> list[etree._Element]:
    """Return rests for every stave of a bar; `lines` are ends of lines by their stave."""
    made: list[etree._Element] = []
    units = bar.length_beats * bar.divisions
    for stave in range(1, bar.staves + 1):
        if stave > 1:
            made.append(_move("backup", units))
        note = element("note")
        add(note, "rest", measure="yes")
        add(note, "duration", decimal(units))
        add(note, "voice", 4 * (stave - 1) + 1)
        if bar.staves > 1:
            add(note, "staff", stave)
        here = [line for number, line in lines if number == stave]
        if here:
            add(note, "notations").extend(here)
        made.append(note)
    return made


def decimal(number: Fraction) -> str:
    """Return a number as XML writes decimals."""
    if number.denominator == 1:
        return str(number.numerator)
    return format(Decimal(number.numerator) / Decimal(number.denominator), "f")

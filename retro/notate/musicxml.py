"""The insert as MusicXML 4.0: the full score and each part, the same bytes for the same input.

Conventions
-----------
Positions are quarter notes on insert time; the count-in lies before 0. Bars of the insert are
numbered with the insert's letter ("A1"), bars of the count-in have no number of their own.
"""

import re
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby

from lxml import etree

from retro.model.instruments import Clef, Family, Instrument
from retro.model.phrase import Key, Phrase
from retro.model.settings import Settings
from retro.model.time import Bar, Meter
from retro.notate.measures import DIVISIONS, key_at, sequence, stave_measures
from retro.notate.rhythm import VALUES, value_of
from retro.notate.score import Direction, Hairpin, Level, Stave, WrittenPart
from retro.notate.tempo import TempoMark, tempo_marks
from retro.units import us_per_quarter_to_bpm
from retro.version import VERSION

DOCTYPE = (
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">'
)

CLEFS = {
    Clef.TREBLE: ("G", "2"),
    Clef.BASS: ("F", "4"),
    Clef.ALTO: ("C", "3"),
    Clef.TENOR: ("C", "4"),
}

DYNAMICS = frozenset(
    ("pppp", "ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "ffff", "n", "sf", "sfp", "sfz", "fp")
)
"""Dynamics that MusicXML has an element for; it has more, which nobody writes here."""

ATTRIBUTES = ("divisions", "key", "time", "staves", "clef", "transpose", "measure-style")
"""Children of ``attributes`` that we write, in the schema's order."""

NOTE_TAIL = ("beam", "notations")
"""Children of ``note`` that stand behind ``staff``."""

BRACKETED = (Family.WOODWIND, Family.BRASS, Family.PERCUSSION, Family.STRINGS)

NOT_IN_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """What stands at the top of the first page.

    Parameters
    ----------
    song
        Title of the song.
    letter
        Letter of the insert.
    first_bar, last_bar
        Bars of the song that it replaces, both inclusive.
    """

    song: str
    letter: str
    first_bar: int
    last_bar: int

    @property
    def insert(self) -> str:
        """Name of the insert: "Insert A"."""
        return f"Insert {self.letter}"

    @property
    def title(self) -> str:
        """Name of the insert and of the song."""
        return f"{self.insert} — {self.song}" if self.song else self.insert

    @property
    def bars(self) -> str:
        """Bars that it replaces: "bars 21–28"."""
        if self.first_bar == self.last_bar:
            return f"bar {self.first_bar}"
        return f"bars {self.first_bar}–{self.last_bar}"

    @property
    def subtitle(self) -> str:
        """What the insert is for."""
        return f"replaces {self.bars}; recorded separately, played backwards in the mix"


@dataclass(frozen=True, slots=True, kw_only=True)
class InsertXml:
    """The insert as MusicXML documents.

    Parameters
    ----------
    score
        All parts, in the order given.
    parts
        One document per part, in the order given.
    """

    score: bytes
    parts: tuple[bytes, ...]


def insert_musicxml(
    parts: Sequence[WrittenPart], *, heading: Heading, insert: Phrase, settings: Settings
) -> InsertXml:
    """Write the insert.

    Parameters
    ----------
    parts
        In score order.
    insert
        The mirrored phrase: its bars and tempo lie under the written parts.
    settings
        `count_in_bars` counts.
    """
    frame = _Frame.of(insert, heading, settings)
    bodies = [_part_body(part, f"P{number}", frame) for number, part in enumerate(parts, start=1)]
    documents = []
    for part, body in zip(parts, bodies, strict=True):
        alone = deepcopy(body)
        _add_system(alone, frame)
        _gather_rests(alone)
        documents.append(_document([part], [alone], heading, name=part.name))
    if bodies:
        _add_system(bodies[0], frame)
    score = _document(parts, bodies, heading, name="Score")
    return InsertXml(score=score, parts=tuple(documents))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """What all parts have in common."""

    letter: str
    insert: Phrase
    count_in: tuple[Bar, ...]

    @classmethod
    def of(cls, insert: Phrase, heading: Heading, settings: Settings) -> "_Frame":
        meter = insert.bars[0].meter
        length = meter.length_beats
        count = settings.count_in_bars
        count_in = tuple(Bar((k - count) * length, length, meter) for k in range(count))
        return cls(letter=heading.letter, insert=insert, count_in=count_in)

    @property
    def bars(self) -> tuple[Bar, ...]:
        return (*self.count_in, *self.insert.bars)

    def bar_index(self, at: Fraction) -> int:
        """Index of the bar that holds a position; the end belongs to the last bar."""
        bars = self.bars
        return next((k for k, bar in enumerate(bars) if at < bar.end_beats), len(bars) - 1)


def _part_body(part: WrittenPart, part_id: str, frame: _Frame) -> etree._Element:
    """Write one part but for what stands over the whole system."""
    body = etree.Element("part", id=part_id)
    staves = [
        [*_count_in_measures(frame), *stave_measures(stave, part.keys, frame.insert.bars)]
        for stave in part.staves
    ]
    for stave, measures in zip(part.staves, staves, strict=True):
        _add_clef_changes(stave, measures, frame, number=part.staves.index(stave) + 1)
    for direction in part.directions:
        _place(staves[0], frame, direction.at_beats, _words(direction))
    for level in part.levels:
        _place(staves[0], frame, level.at_beats, _dynamics(level))
    for number, hairpin in enumerate(part.hairpins):
        _add_hairpin(staves[0], frame, hairpin, number % 2 + 1)
    for index in range(len(frame.bars)):
        body.append(_joined([measures[index] for measures in staves], frame.bars[index]))
    _number(body, frame)
    _add_attributes(body, part, frame)
    return body


def _count_in_measures(frame: _Frame) -> list[etree._Element]:
    measures = []
    for bar in frame.count_in:
        measure = etree.Element("measure")
        measure.append(_bar_rest(bar))
        measures.append(measure)
    return measures


def _bar_rest(bar: Bar) -> etree._Element:
    rest = etree.Element("note")
    etree.SubElement(rest, "rest", measure="yes")
    _text(rest, "duration", _units(bar.length_beats))
    return rest


def _units(beats: Fraction) -> str:
    return str(int(beats * DIVISIONS))


def _text(parent: etree._Element, tag: str, text: object, **attributes: str) -> etree._Element:
    child = etree.SubElement(parent, tag, attributes)
    child.text = NOT_IN_XML.sub("", str(text))
    return child


def _direction(*kinds: etree._Element, above: bool) -> etree._Element:
    direction = etree.Element("direction", placement="above" if above else "below")
    for kind in kinds:
        etree.SubElement(direction, "direction-type").append(kind)
    return direction


def _element(tag: str, text: str = "", **attributes: str) -> etree._Element:
    element = etree.Element(tag, attributes)
    element.text = NOT_IN_XML.sub("", text) or None
    return element


def _words(direction: Direction) -> etree._Element:
    return _direction(_element("words", direction.text), above=direction.above)


def _dynamics(level: Level) -> etree._Element:
    dynamics = etree.Element("dynamics")
    if level.text in DYNAMICS:
        etree.SubElement(dynamics, level.text)
    else:
        _text(dynamics, "other-dynamics", level.text)
    return _direction(dynamics, above=False)


def _add_hairpin(
    measures: list[etree._Element], frame: _Frame, hairpin: Hairpin, number: int
) -> None:
    kind = "crescendo" if hairpin.crescendo else "diminuendo"
    start = _element("wedge", type=kind, number=str(number))
    stop = _element("wedge", type="stop", number=str(number))
    _place(measures, frame, hairpin.start_beats, _direction(start, above=False))
    _place(measures, frame, hairpin.end_beats, _direction(stop, above=False), is_end=True)


def _place(
    measures: Sequence[etree._Element],
    frame: _Frame,
    at: Fraction,
    element: etree._Element,
    *,
    is_end: bool = False,
) -> None:
    """Put a direction before the note that it belongs to, or at its offset inside a longer note.

    `is_end` puts the end of a line at the end of its bar, not at the start of the next.
    """
    index = frame.bar_index(at)
    if is_end and index > 0 and at == frame.bars[index].start_beats:
        index -= 1
    inside = at - frame.bars[index].start_beats
    if inside == frame.bars[index].length_beats:
        _append_to_first_voice(measures[index], element)
        return
    before, start = None, Fraction(0)
    for note_at, note in sequence(measures[index]):
        if note_at <= inside:
            before, start = note, note_at
    if before is None:
        raise ValueError(f"bar {index + 1} has no note to put a direction to")
    if inside != start:
        _add_offset(element, inside - start)
    before.addprevious(element)


def _add_offset(element: etree._Element, beats: Fraction) -> None:
    """Say how far after the next note's start an element counts."""
    offset = etree.Element("offset", sound="yes")
    offset.text = _units(beats)
    if element.tag == "direction":
        last = element.findall("direction-type")[-1]
        last.addnext(offset)
    else:
        element.append(offset)


def _append_to_first_voice(measure: etree._Element, element: etree._Element) -> None:
    backup = measure.find("backup")
    if backup is None:
        measure.append(element)
    else:
        backup.addprevious(element)


def _joined(staves: Sequence[etree._Element], bar: Bar) -> etree._Element:
    """Join the staves of one bar into one measure; voices of the lower stave count from 5."""
    upper = staves[0]
    for index, measure in enumerate(staves):
        for note in measure.iterchildren("note"):
            _complete_note(note, index, is_alone=len(staves) == 1)
        if index == 0:
            continue
        for direction in measure.iterchildren("direction"):
            _add_staff(direction, index + 1)
        backup = etree.SubElement(upper, "backup")
        _text(backup, "duration", _units(bar.length_beats))
        upper.extend(list(measure))
    return upper


def _complete_note(note: etree._Element, stave: int, *, is_alone: bool) -> None:
    """Give a note its voice, and its stave where there are several."""
    voice = note.find("voice")
    if voice is None:
        voice = etree.Element("voice")
        voice.text = "1"
        before = [child for child in note if child.tag in ("duration", "tie", "instrument")][-1]
        before.addnext(voice)
    voice.text = str(int(voice.text or "1") + 4 * stave)
    if is_alone:
        return
    staff = etree.Element("staff")
    staff.text = str(stave + 1)
    tail = next((child for child in note if child.tag in NOTE_TAIL), None)
    if tail is None:
        note.append(staff)
    else:
        tail.addprevious(staff)


def _add_staff(direction: etree._Element, number: int) -> None:
    staff = etree.Element("staff")
    staff.text = str(number)
    sound = direction.find("sound")
    if sound is None:
        direction.append(staff)
    else:
        sound.addprevious(staff)


def _number(body: etree._Element, frame: _Frame) -> None:
    count = len(frame.count_in)
    for index, (measure, bar) in enumerate(zip(body, frame.bars, strict=True)):
        measure.attrib.clear()
        is_counting = index < count
        measure.set(
            "number", f"click {index + 1}" if is_counting else f"{frame.letter}{index - count + 1}"
        )
        if is_counting or not bar.is_full:
            measure.set("implicit", "yes")
        if index == count - 1:
            _add_bar_line(measure, "light-light")
    _add_bar_line(body[-1], "light-heavy")


def _add_bar_line(measure: etree._Element, style: str) -> None:
    line = etree.SubElement(measure, "barline", location="right")
    _text(line, "bar-style", style)


def _attributes(measure: etree._Element) -> etree._Element:
    """Give the attributes at the start of a measure, made where there are none."""
    first = measure[0] if len(measure) else None
    if first is not None and first.tag == "attributes":
        return first
    attributes = etree.Element("attributes")
    measure.insert(0, attributes)
    return attributes


def _add_in_order(attributes: etree._Element, child: etree._Element) -> None:
    rank = ATTRIBUTES.index(str(child.tag))
    later = (other for other in attributes if ATTRIBUTES.index(str(other.tag)) > rank)
    following = next(later, None)
    if following is None:
        attributes.append(child)
    else:
        following.addprevious(child)


def _add_attributes(body: etree._Element, part: WrittenPart, frame: _Frame) -> None:
    meter: Meter | None = None
    key: Key | None = None
    for measure, bar in zip(body, frame.bars, strict=True):
        if bar.meter != meter:
            _add_in_order(_attributes(measure), _time(bar.meter))
            meter = bar.meter
        in_force = key_at(part.keys, bar.start_beats)
        if in_force != key:
            _add_in_order(_attributes(measure), _key(in_force))
            key = in_force
    first = _attributes(body[0])
    divisions = etree.Element("divisions")
    divisions.text = str(DIVISIONS)
    _add_in_order(first, divisions)
    if len(part.staves) > 1:
        staves = etree.Element("staves")
        staves.text = str(len(part.staves))
        _add_in_order(first, staves)
    for number, stave in enumerate(part.staves, start=1):
        _add_in_order(first, _clef(stave.clefs[0][1], number if len(part.staves) > 1 else None))
    if part.instrument.transposition.semitones:
        _add_in_order(first, _transpose(part.instrument))


def _time(meter: Meter) -> etree._Element:
    time = etree.Element("time")
    _text(time, "beats", meter.numerator)
    _text(time, "beat-type", meter.denominator)
    return time


def _key(key: Key) -> etree._Element:
    element = etree.Element("key")
    _text(element, "fifths", key.sharps)
    _text(element, "mode", "minor" if key.minor else "major")
    return element


def _clef(clef: Clef, number: int | None) -> etree._Element:
    element = etree.Element("clef", {} if number is None else {"number": str(number)})
    sign, line = CLEFS[clef]
    _text(element, "sign", sign)
    _text(element, "line", line)
    return element


def _transpose(instrument: Instrument) -> etree._Element:
    element = etree.Element("transpose")
    transposition = instrument.transposition
    _text(element, "diatonic", transposition.diatonic)
    _text(element, "chromatic", transposition.chromatic)
    if transposition.octaves:
        _text(element, "octave-change", transposition.octaves)
    return element


def _add_clef_changes(
    stave: Stave, measures: list[etree._Element], frame: _Frame, *, number: int
) -> None:
    for at, clef in stave.clefs[1:]:
        attributes = etree.Element("attributes")
        attributes.append(_clef(clef, number))
        _place(measures, frame, at, attributes)


def _add_system(body: etree._Element, frame: _Frame) -> None:
    """Put in what stands over the system: tempo, count-in, the insert's letter."""
    measures = list(body)
    start = frame.bars[0].start_beats
    marks = tempo_marks(frame.insert.tempo, frame.insert.bars)
    for at, _, us in frame.insert.tempo.us_per_quarter.spans():
        sound = etree.Element("sound", tempo=_decimal(us_per_quarter_to_bpm(us)))
        _place(measures, frame, start if at == 0 else at, sound)
    for mark in marks:
        _place(measures, frame, start if mark.at_beats == 0 else mark.at_beats, _tempo(mark))
    letter = _element("rehearsal", frame.letter, enclosure="rectangle")
    _place(measures, frame, Fraction(0), _direction(letter, above=True))
    count = len(frame.count_in)
    if count:
        text = f"click, {count} bar{'s' if count > 1 else ''}"
        _place(measures, frame, start, _direction(_element("words", text), above=True))


def _decimal(value: Fraction) -> str:
    return f"{float(value):.6f}".rstrip("0").rstrip(".")


def _tempo(mark: TempoMark) -> etree._Element:
    kinds = []
    if mark.words:
        kinds.append(_element("words", mark.words))
    if mark.unit is not None:
        metronome = etree.Element("metronome")
        value = value_of(mark.unit)
        if value is None:
            raise ValueError(f"no metronome counts {mark.unit} quarter notes")
        _text(metronome, "beat-unit", VALUES[value[0]])
        if value[1]:
            etree.SubElement(metronome, "beat-unit-dot")
        _text(metronome, "per-minute", mark.per_minute)
        kinds.append(metronome)
    return _direction(*kinds, above=True)


def _gather_rests(body: etree._Element) -> None:
    """Gather runs of empty bars into multi-bar rests."""
    run: list[etree._Element] = []
    for measure in [*body, None]:
        if measure is not None and run and _is_empty(measure) and _is_bare(measure):
            run.append(measure)
            continue
        if len(run) > 1:
            style = etree.Element("measure-style")
            _text(style, "multiple-rest", len(run))
            _add_in_order(_attributes(run[0]), style)
        can_open = (
            measure is not None and _is_empty(measure) and "click" not in measure.get("number", "")
        )
        run = [measure] if can_open and measure is not None else []


def _is_empty(measure: etree._Element) -> bool:
    return all(note.find("rest[@measure]") is not None for note in measure.iterchildren("note"))


def _is_bare(measure: etree._Element) -> bool:
    return measure.find("direction") is None and measure.find("attributes") is None


def _document(
    parts: Sequence[WrittenPart], bodies: Sequence[etree._Element], heading: Heading, *, name: str
) -> bytes:
    root = etree.Element("score-partwise", version="4.0")
    _text(etree.SubElement(root, "work"), "work-title", heading.song or heading.insert)
    _text(root, "movement-title", heading.title)
    encoding = etree.SubElement(etree.SubElement(root, "identification"), "encoding")
    _text(encoding, "software", f"retro {VERSION}")
    for kind, text in (
        ("title", heading.title),
        ("subtitle", heading.subtitle),
        ("part name", name),
    ):
        credit = etree.SubElement(root, "credit", page="1")
        _text(credit, "credit-type", kind)
        _text(credit, "credit-words", text)
    root.append(_part_list(parts, [body.get("id", "") for body in bodies]))
    root.extend(bodies)
    etree.indent(root)
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8", doctype=DOCTYPE) + b"\n"


def _part_list(parts: Sequence[WrittenPart], ids: Sequence[str]) -> etree._Element:
    part_list = etree.Element("part-list")
    number = 0
    for family, members in groupby(zip(parts, ids, strict=True), lambda m: m[0].instrument.family):
        group = list(members)
        is_bracketed = family in BRACKETED and len(group) > 1
        if is_bracketed:
            number += 1
            start = etree.SubElement(part_list, "part-group", type="start", number=str(number))
            _text(start, "group-symbol", "bracket")
            _text(start, "group-barline", "yes")
        for part, part_id in group:
            part_list.append(_score_part(part, part_id))
        if is_bracketed:
            etree.SubElement(part_list, "part-group", type="stop", number=str(number))
    return part_list


def _score_part(part: WrittenPart, part_id: str) -> etree._Element:
    element = etree.Element("score-part", id=part_id)
    _text(element, "part-name", part.name)
    _text(element, "part-abbreviation", part.abbreviation)
    instrument = etree.SubElement(element, "score-instrument", id=f"{part_id}-I1")
    _text(instrument, "instrument-name", part.instrument.name)
    if part.instrument.programs:
        midi = etree.SubElement(element, "midi-instrument", id=f"{part_id}-I1")
        _text(midi, "midi-program", part.instrument.programs[0] + 1)
    return element

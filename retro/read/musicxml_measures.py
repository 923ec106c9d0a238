"""One part of a MusicXML score, measure by measure, before anything is put in playing order.

Conventions
-----------
Places are quarter notes from the start of the measure. Pitches are sounding MIDI numbers.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from lxml import etree

from retro.errors import ScoreError
from retro.model.instruments import Clef, Transposition
from retro.model.note_values import LENGTHS
from retro.model.spelling import LETTERS, NATURALS, name_at
from retro.read.musicxml_marks import NoteMark, marks_of
from retro.read.written_numbers import decimal_of, whole_of
from retro.units import nearest

DIATONIC = (0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6)
"""Steps of an interval by its semitones, where the file does not state them."""

CLEFS = {"G2": Clef.TREBLE, "F4": Clef.BASS, "C3": Clef.ALTO, "C4": Clef.TENOR}
USUAL_LINES = {"G": "2", "F": "4", "C": "3"}
"""Clefs by sign and line, and the line of a sign that states none (MusicXML 4.0)."""

UNTOLD_STROKE = 38
"""The acoustic snare of General MIDI, for a stroke of which nothing tells what it is."""

MAX_DIVISIONS = 1_000_000

MAX_STAVES = 16
"""Most staves of one part."""


@dataclass(slots=True, kw_only=True)
class RawNote:
    """One note head; `length` is 0 for a grace note."""

    at: Fraction
    length: Fraction
    pitch: int
    spelling: str
    voice: str
    staff: int
    tie_start: bool = False
    tie_stop: bool = False
    is_grace: bool = False
    is_chord: bool = False
    velocity_percent: float | None = None
    marks: tuple[NoteMark, ...] = ()


@dataclass(slots=True, kw_only=True)
class RawDirection:
    """What stands over or under the stave: a kind of direction, and where it counts."""

    at: Fraction
    kind: str
    text: str = ""
    number: str = "1"
    staff: int = 1


@dataclass(slots=True, kw_only=True)
class RawMeasure:
    """What one part has in one measure.

    Parameters
    ----------
    reached
        The furthest place that a note, a rest or a forward comes to.
    keys
        (place, sharps as they sound, is minor).
    time
        The ``time`` element, where one stands here.
    tempos
        (place, quarter notes a minute).
    sounds, barlines
        Elements that say in which order the measures are played.
    """

    number: str
    is_implicit: bool
    reached: Fraction = Fraction(0)
    notes: list[RawNote] = field(default_factory=list)
    directions: list[RawDirection] = field(default_factory=list)
    keys: list[tuple[Fraction, int, bool]] = field(default_factory=list)
    time: etree._Element | None = None
    tempos: list[tuple[Fraction, Fraction]] = field(default_factory=list)
    sounds: list[etree._Element] = field(default_factory=list)
    barlines: list[etree._Element] = field(default_factory=list)


class PartReader:
    """Reads the measures of one part in order; what holds until it changes is kept here.

    Attributes
    ----------
    staves
        Most staves at once.
    is_unpitched
        Whether there are strokes without a pitch, and nothing else.
    strokes
        The MIDI pitch of every unpitched instrument of the part, by its id.
    transposition
        In force after the last measure that was read.
    microtones, cues, unread
        How many notes were rounded to a semitone, left out as cues, and could not be read.
    """

    def __init__(self, part: etree._Element, strokes: dict[str, int], name: str) -> None:
        self.part = part
        self.name = name
        self.staves = 1
        self.is_unpitched = False
        self.transposition = Transposition()
        self.microtones = self.cues = self.unread = 0
        self.strokes = strokes
        self._divisions = Fraction(1)
        self._lengths: dict[str, Fraction] = {}
        self._pitches: dict[tuple[object, ...], tuple[int, str, bool]] = {}

    def measures(self) -> Iterator[RawMeasure]:
        """Yield the measures in the order of the file."""
        strokes = self.part.find("measure/note/unpitched") is not None
        self.is_unpitched = strokes and self.part.find("measure/note/pitch") is None
        for element in self.part.iterchildren("measure"):
            yield self._measure(element)

    def _measure(self, element: etree._Element) -> RawMeasure:
        measure = RawMeasure(
            number=element.get("number", ""), is_implicit=element.get("implicit") == "yes"
        )
        at = before = reached = Fraction(0)
        for child in element.iterchildren():
            tag = child.tag
            if tag == "note":
                inside = {str(part.tag): part for part in child.iterchildren()}
                if "chord" in inside:
                    self._note(child, inside, measure, before)
                    continue
                before = at
                at += self._note(child, inside, measure, at)
                reached = max(reached, at)
            elif tag == "backup":
                at = max(at - self._length(child, child.find("duration")), Fraction(0))
            elif tag == "forward":
                at += self._length(child, child.find("duration"))
                reached = max(reached, at)
            else:
                self._beside(child, measure, at)
        measure.reached = reached
        return measure

    def _beside(self, child: etree._Element, measure: RawMeasure, at: Fraction) -> None:
        """Read what takes no time."""
        if child.tag == "attributes":
            self._attributes(child, measure, at)
        elif child.tag == "direction":
            self._direction(child, measure, at)
        elif child.tag == "sound":
            self._sound(child, measure, at)
        elif child.tag == "barline":
            measure.barlines.append(child)

    def _length(self, element: etree._Element, duration: etree._Element | None) -> Fraction:
        text = "0" if duration is None else duration.text or "0"
        known = self._lengths.get(text)
        if known is None:
            known = _number(text, element, self.name) / self._divisions
            if known < 0:
                raise _fault("a negative duration", element, self.name)
            self._lengths[text] = known
        return known

    def _attributes(self, element: etree._Element, measure: RawMeasure, at: Fraction) -> None:
        divisions = element.findtext("divisions")
        if divisions is not None:
            self._divisions = _number(divisions, element, self.name)
            if not 0 < self._divisions <= MAX_DIVISIONS:
                raise _fault(f"{divisions[:20]} divisions of a quarter", element, self.name)
            self._lengths = {}
        transpose = element.find("transpose")
        if transpose is not None:
            self.transposition = transposition_of(transpose, self.name)
            self._pitches = {}
        for key in element.iterchildren("key"):
            fifths = whole_of(key.findtext("fifths"))
            if fifths is not None:
                sharps = _nearest_key(fifths + self.transposition.fifths)
                measure.keys.append((at, sharps, key.findtext("mode", "").strip() == "minor"))
                break
        for clef in element.iterchildren("clef"):
            staff = staff_of(clef.get("number"))
            measure.directions.append(
                RawDirection(at=at, kind="clef", text=clef_name(clef), staff=staff)
            )
        time = element.find("time")
        if time is not None and measure.time is None and at == 0:
            measure.time = time
        self.staves = max(self.staves, staff_of(element.findtext("staves")))

    def _note(
        self,
        element: etree._Element,
        inside: dict[str, etree._Element],
        measure: RawMeasure,
        at: Fraction,
    ) -> Fraction:
        """Read a note with its children by their tags, and return the time that it takes."""
        is_grace = "grace" in inside
        length = Fraction(0) if is_grace else self._length(element, inside.get("duration"))
        staff = staff_of(inside["staff"].text) if "staff" in inside else 1
        if "notations" in inside:
            measure.directions.extend(_dynamics_on(element, at, staff))
        if "rest" in inside:
            return length
        if "cue" in inside:
            self.cues += 1
            return length
        found = self._pitch(element, inside)
        if found is None or (not is_grace and not length):
            self.unread += found is not None
            return length
        ties = {tie.get("type") for tie in element.iterchildren("tie")} if "tie" in inside else ()
        percent = decimal_of(element.get("dynamics"))
        voice = inside.get("voice")
        measure.notes.append(
            RawNote(
                at=at,
                length=length,
                pitch=found[0],
                spelling=found[1],
                voice="1" if voice is None else voice.text or "1",
                staff=staff,
                tie_start="start" in ties,
                tie_stop="stop" in ties,
                is_grace=is_grace,
                is_chord="chord" in inside,
                velocity_percent=None if percent is None else float(percent),
                marks=tuple(marks_of(element)) if "notations" in inside else (),
            )
        )
        return length

    def _pitch(
        self, element: etree._Element, inside: dict[str, etree._Element]
    ) -> tuple[int, str] | None:
        """Return the sounding pitch and its name; None where the note has neither."""
        pitch = inside.get("pitch")
        if pitch is not None:
            written = tuple([(part.tag, part.text) for part in pitch.iterchildren()])
            known = self._pitches.get(written)
            if known is None:
                known = self._pitches[written] = self._sounding(pitch, element)
            self.microtones += known[2]
            return known[:2]
        if "unpitched" not in inside:
            return None
        of = inside["instrument"].get("id", "") if "instrument" in inside else ""
        only = next(iter(self.strokes.values())) if len(self.strokes) == 1 else UNTOLD_STROKE
        return self.strokes.get(of, only), ""

    def _sounding(self, pitch: etree._Element, note: etree._Element) -> tuple[int, str, bool]:
        """Return the sounding pitch, its name, and whether it was rounded to a semitone."""
        step = pitch.findtext("step", "").strip().upper()
        octave = whole_of(pitch.findtext("octave"))
        if step not in NATURALS or octave is None:
            raise _fault("a pitch without step or octave", note, self.name)
        exact = _number(pitch.findtext("alter", "0"), note, self.name)
        alter = nearest(exact)
        written = 12 * (octave + 1) + NATURALS[step] + alter
        place = LETTERS.index(step) - 1 + 7 * alter + self.transposition.fifths
        sounding = written + self.transposition.semitones
        if not 0 <= sounding <= 127:
            raise _fault(f"{step}{octave} is no pitch that MIDI has", note, self.name)
        return sounding, name_at(place), exact != alter

    def _direction(self, element: etree._Element, measure: RawMeasure, at: Fraction) -> None:
        offset = element.findtext("offset")
        if offset is not None:
            at = max(at + _number(offset, element, self.name) / self._divisions, Fraction(0))
        staff = staff_of(element.findtext("staff"))
        sound = element.find("sound")
        if sound is not None:
            self._sound(sound, measure, at)
        has_tempo = sound is not None and sound.get("tempo") is not None
        for kind in element.iterfind("direction-type/*"):
            tag = str(kind.tag)
            if tag == "dynamics":
                measure.directions.extend(_levels(kind, at, staff))
            elif tag == "metronome" and not has_tempo:
                bpm = metronome_bpm(kind)
                measure.tempos.extend([(at, bpm)] if bpm else [])
            elif tag in ("words", "rehearsal"):
                text = " ".join("".join(map(str, kind.itertext())).split())
                if text:
                    measure.directions.append(RawDirection(at=at, kind=tag, text=text, staff=staff))
            elif tag in ("wedge", "pedal", "segno", "coda"):
                measure.directions.append(
                    RawDirection(
                        at=at,
                        kind=tag,
                        text=kind.get("type", ""),
                        number=kind.get("number", "1"),
                        staff=staff,
                    )
                )

    def _sound(self, element: etree._Element, measure: RawMeasure, at: Fraction) -> None:
        tempo = decimal_of(element.get("tempo"))
        if tempo:
            measure.tempos.append((at, tempo))
        dynamics = element.get("dynamics", "")
        if decimal_of(dynamics) is not None:
            measure.directions.append(RawDirection(at=at, kind="loudness", text=dynamics.strip()))
        measure.sounds.append(element)


def clef_name(element: etree._Element) -> str:
    """Return the name of a clef, empty for one that our parts are not written in."""
    tags = ("sign", "line", "clef-octave-change")
    sign, line, octaves = (element.findtext(tag, "").strip() for tag in tags)
    clef = CLEFS.get(sign + (line or USUAL_LINES.get(sign, "")))
    return clef.value if clef is not None and octaves in ("", "0") else ""


def staff_of(text: str | None) -> int:
    """Return the number of a stave, or how many there are: 1 where none is told."""
    number = whole_of(text)
    return 1 if number is None else min(max(number, 1), MAX_STAVES)


def transposition_of(element: etree._Element, name: str) -> Transposition:
    """Return what a ``transpose`` element adds to written pitches."""
    chromatic = nearest(_number(element.findtext("chromatic", "0"), element, name))
    octaves = nearest(_number(element.findtext("octave-change", "0"), element, name))
    diatonic = element.findtext("diatonic")
    if diatonic is None:
        steps = DIATONIC[abs(chromatic) % 12] + 7 * (abs(chromatic) // 12)
        return Transposition(steps if chromatic >= 0 else -steps, chromatic, octaves)
    return Transposition(nearest(_number(diatonic, element, name)), chromatic, octaves)


def metronome_bpm(element: etree._Element) -> Fraction | None:
    """Return the quarter notes a minute of a metronome mark, None where it states no number."""
    unit = LENGTHS.get(element.findtext("beat-unit", "").strip())
    text = element.findtext("per-minute", "")
    digits = "".join(char if char.isdecimal() or char == "." else " " for char in text).split()
    per_minute = decimal_of(digits[0]) if digits else None
    if unit is None or not per_minute:
        return None
    dots = len(element.findall("beat-unit-dot"))
    return per_minute * unit * (2 - Fraction(1, 2**dots))


def _dynamics_on(note: etree._Element, at: Fraction, staff: int) -> Iterator[RawDirection]:
    for dynamics in note.iterfind("notations/dynamics"):
        yield from _levels(dynamics, at, staff)


def _levels(dynamics: etree._Element, at: Fraction, staff: int) -> Iterator[RawDirection]:
    for level in dynamics.iterchildren():
        text = level.text if level.tag == "other-dynamics" else str(level.tag)
        yield RawDirection(at=at, kind="dynamics", text=(text or "").strip(), staff=staff)


def _nearest_key(sharps: int) -> int:
    """Return the signature of at most seven accidentals that sounds the same."""
    return sharps if abs(sharps) <= 7 else (sharps + 5) % 12 - 5


def _number(text: str, element: etree._Element, name: str) -> Fraction:
    number = decimal_of(text)
    if number is None:
        raise _fault(f"{text.strip()[:20]!r} is no number", element, name)
    return number


def _fault(what: str, element: etree._Element, name: str) -> ScoreError:
    measure = next(element.iterancestors("measure"), None)
    number = "" if measure is None else measure.get("number", "")
    return ScoreError(what, where=f"{name}, bar {number}, line {element.sourceline}")

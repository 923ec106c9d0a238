"""Measures of one part in playing order become a `Part`: ties, graces, tremolo, pedal, signs.

Grace notes are played before the beat and shorten what they follow; at the very beginning they
sound with what they lead to (common practice). A measured tremolo is counted out, an
unmeasured one is a held note with its sign.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from retro.model.phrase import EXPRESSION, SUSTAIN_PEDAL, Note, Part
from retro.model.signs import Sign, SignKind
from retro.model.time import Steps
from retro.read.musicxml_loudness import MAX_VELOCITY, WrittenLevels
from retro.read.musicxml_marks import UNMEASURED, NoteMark
from retro.read.musicxml_measures import RawDirection, RawMeasure, RawNote
from retro.read.musicxml_words import with_swells, word_signs

GRACE_BEATS = Fraction(1, 8)
MAX_GRACE_BEATS = Fraction(1, 2)
"""Length of a grace note, and of all before one beat (our own choice)."""

ACCENT_VELOCITIES = {SignKind.ACCENT: 15, SignKind.STRONG_ACCENT: 25}
"""How much louder an accented note is (our own choice)."""

PEDALS = {
    "start": MAX_VELOCITY,
    "sostenuto": MAX_VELOCITY,
    "resume": MAX_VELOCITY,
    "stop": 0,
    "discontinue": 0,
}

Measures = Sequence[tuple[Fraction, RawMeasure]]
"""Measures with their places in the song, as they are played."""


@dataclass(slots=True, kw_only=True)
class _Tone:
    """A sounding note while it is being put together."""

    on: Fraction
    off: Fraction
    pitch: int
    spelling: str
    voice: str
    percent: float | None
    marks: list[NoteMark] = field(default_factory=list)
    is_grace: bool = False

    @property
    def span(self) -> tuple[Fraction, Fraction]:
        return self.on, self.off


@dataclass(frozen=True, slots=True)
class _LineEnd:
    at: Fraction
    is_start: bool
    number: str
    kind: SignKind
    tone: _Tone


@dataclass(frozen=True, slots=True, kw_only=True)
class PartFacts:
    """What the list of parts says of one: name, MIDI channel from 0, program from 0.

    `contradicted` is a program that the printed name contradicts; it is left out.
    """

    name: str
    channel: int
    program: int | None
    contradicted: int | None = None


def part_of(facts: PartFacts, measures: Measures, length: Fraction) -> Part:
    """Return the part of measures in playing order; one without notes has none."""
    tones, ends = _tones(measures)
    tones = [tone for tone in tones if tone.on < length]
    for tone in tones:
        tone.off = min(tone.off, length)
    directions = _directions(measures)
    pedal = _pedal(directions, length)
    if pedal is not None:
        _hold(tones, pedal)
    lines = _lines(ends)
    tones = _counted_out(tones)
    loudness = WrittenLevels(with_swells(directions), length)
    is_said = bool(loudness.wedges) or any(d.kind == "words" for d in directions)
    spans = sorted(tone.span for tone in tones) if is_said else []
    regions = loudness.regions(spans) if loudness.wedges else None
    controllers: list[tuple[int, Steps[int]]] = []
    if regions is not None:
        controllers.append((EXPRESSION, loudness.expression(regions)))
    if pedal is not None:
        controllers.append((SUSTAIN_PEDAL, pedal))
    signs = [*loudness.signs(), *word_signs(directions, spans, length), *lines]
    signs += [sign for tone in tones for sign in _marks_on(tone, loudness)]
    if all(raw.staff == 1 for _, measure in measures for raw in measure.notes):
        signs += _clefs(directions, length)
    return Part(
        name=facts.name,
        channel=facts.channel,
        program=facts.program,
        notes=tuple(sorted(_note(tone, loudness, regions) for tone in tones)),
        controllers=tuple(controllers),
        signs=tuple(sorted(set(signs))),
    )


def _directions(measures: Measures) -> list[RawDirection]:
    placed = (
        replace(direction, at=start + direction.at)
        for start, measure in measures
        for direction in measure.directions
    )
    return sorted(placed, key=lambda direction: direction.at)


def _tones(measures: Measures) -> tuple[list[_Tone], list[_LineEnd]]:
    """Return the sounding notes, ties joined, and the ends of lines on them."""
    tones: list[_Tone] = []
    ends: list[_LineEnd] = []
    held: dict[int, _Tone] = {}
    graces: dict[str, list[list[_Tone]]] = defaultdict(list)
    last: dict[str, list[_Tone]] = defaultdict(list)
    for start, measure in measures:
        heads = sorted(
            ((start + raw.at, raw) for raw in measure.notes),
            key=lambda placed: (placed[0], not placed[1].is_grace),
        )
        for at, raw in heads:
            tone = _joined(held, at, raw)
            if tone is None:
                tone = _new(at, raw)
                tones.append(tone)
                if raw.is_grace:
                    _gather(graces[raw.voice], tone, raw)
                else:
                    _place_graces(graces.pop(raw.voice, []), at, last[raw.voice])
                    last[raw.voice] = [t for t in last[raw.voice] if t.off > at] + [tone]
            if raw.tie_start:
                held[raw.pitch] = tone
            ends.extend(_line_ends(at, raw, tone))
            tone.marks.extend(mark for mark in raw.marks if not mark.kind.is_line)
    for voice, left in graces.items():
        end = max((tone.off for tone in tones if not tone.is_grace), default=Fraction(1))
        _place_graces(left, end, last[voice])
    return tones, ends


def _joined(held: dict[int, _Tone], at: Fraction, raw: RawNote) -> _Tone | None:
    """Return the note that a tie brings here, made longer; None where none does."""
    tone = held.pop(raw.pitch, None) if raw.tie_stop and not raw.is_grace else None
    if tone is None or tone.off != at:
        return None
    tone.off = at + raw.length
    return tone


def _new(at: Fraction, raw: RawNote) -> _Tone:
    return _Tone(
        on=at,
        off=at + raw.length,
        pitch=raw.pitch,
        spelling=raw.spelling,
        voice=raw.voice,
        percent=raw.velocity_percent,
        is_grace=raw.is_grace,
    )


def _gather(groups: list[list[_Tone]], tone: _Tone, raw: RawNote) -> None:
    if raw.is_chord and groups:
        groups[-1].append(tone)
    else:
        groups.append([tone])


def _place_graces(groups: list[list[_Tone]], at: Fraction, before: list[_Tone]) -> None:
    """Let grace notes sound before a place, and what sounded there end before them."""
    if not groups:
        return
    each = min(GRACE_BEATS, MAX_GRACE_BEATS / len(groups))
    at = max(at, each * len(groups))
    for index, group in enumerate(groups):
        for tone in group:
            tone.on = at - each * (len(groups) - index)
            tone.off = tone.on + each
    first = at - each * len(groups)
    for tone in before:
        if tone.on < first < tone.off:
            tone.off = first


def _line_ends(at: Fraction, raw: RawNote, tone: _Tone) -> Iterable[_LineEnd]:
    for mark in raw.marks:
        if mark.kind.is_line and mark.end in ("start", "stop"):
            yield _LineEnd(at, mark.end == "start", mark.number, mark.kind, tone)


def _lines(ends: Iterable[_LineEnd]) -> list[Sign]:
    """Return the lines whose both ends are there."""
    opened: dict[tuple[SignKind, str], _Tone] = {}
    lines = []
    for end in sorted(ends, key=lambda end: (end.at, end.is_start)):
        key = (end.kind, end.number)
        if end.is_start:
            opened[key] = end.tone
            continue
        first = opened.pop(key, None)
        if first is not None and first.on < end.tone.on:
            lines.append(
                Sign(
                    start_beats=first.on,
                    end_beats=end.tone.off,
                    kind=end.kind,
                    pitches=(first.pitch, end.tone.pitch),
                )
            )
    return lines


def _pedal(directions: Iterable[RawDirection], length: Fraction) -> Steps[int] | None:
    changes: list[tuple[Fraction, int]] = []
    for direction in directions:
        if direction.kind == "pedal" and direction.text in PEDALS:
            changes.append((direction.at, PEDALS[direction.text]))
        elif direction.kind == "pedal" and direction.text == "change":
            changes.append((direction.at - GRACE_BEATS / 8, 0))
            changes.append((direction.at, MAX_VELOCITY))
    if not changes:
        return None
    return Steps.from_changes(changes, length=length, before=0)


def _hold(tones: list[_Tone], pedal: Steps[int]) -> None:
    """Let the pedal hold notes until it rises, or until their key is struck again."""
    struck: dict[int, list[_Tone]] = defaultdict(list)
    for tone in sorted(tones, key=lambda tone: tone.on):
        struck[tone.pitch].append(tone)
    for same in struck.values():
        for tone, again in zip(same, [*same[1:], None], strict=True):
            index = pedal.index_at(tone.off)
            if pedal.values[index] == 0 or tone.off >= pedal.length:
                continue
            up = (*pedal.starts, pedal.length)[index + 1]
            tone.off = max(tone.off, up if again is None else min(up, again.on))


def _counted_out(tones: list[_Tone]) -> list[_Tone]:
    """Return the notes with measured and with two-note tremolo played out."""
    plain: list[_Tone] = []
    pairs: dict[tuple[str, Fraction], tuple[list[_Tone], list[_Tone]]] = {}
    for tone in tones:
        tremolo = next((mark for mark in tone.marks if mark.kind is SignKind.TREMOLO), None)
        if tremolo is None:
            plain.append(tone)
        elif tremolo.end == "single":
            plain.extend(_repeated(tone, int(tremolo.number)))
        elif tremolo.end in ("start", "stop"):
            is_second = tremolo.end == "stop"
            key = (tone.voice, tone.on if is_second else tone.off)
            pairs.setdefault(key, ([], []))[is_second].append(tone)
        else:
            plain.append(tone)
    for firsts, seconds in pairs.values():
        plain.extend(_alternating(firsts, seconds))
    return plain


def _flags(length: Fraction) -> int:
    return sum(length < value for value in (Fraction(1), Fraction(1, 2), Fraction(1, 4)))


def _repeated(tone: _Tone, strokes: int) -> list[_Tone]:
    length = tone.off - tone.on
    unit = Fraction(1, 2 ** (strokes + _flags(length)))
    if strokes >= UNMEASURED or (length / unit).denominator != 1:
        return [tone]
    marks = [mark for mark in tone.marks if mark.kind is not SignKind.TREMOLO]
    return [
        replace(tone, on=tone.on + k * unit, off=tone.on + (k + 1) * unit, marks=marks * (k == 0))
        for k in range(int(length / unit))
    ]


def _alternating(firsts: list[_Tone], seconds: list[_Tone]) -> list[_Tone]:
    """Return two chords that take turns in 32nds over the time of both."""
    if not firsts or not seconds:
        return [*firsts, *seconds]
    start, end = firsts[0].on, seconds[0].off
    count = int((end - start) / GRACE_BEATS)
    if count < 2 or count * GRACE_BEATS != end - start:
        return [*firsts, *seconds]
    return [
        replace(
            tone,
            on=start + k * GRACE_BEATS,
            off=start + (k + 1) * GRACE_BEATS,
            marks=[],
        )
        for k in range(count)
        for tone in (seconds if k % 2 else firsts)
    ]


def _clefs(directions: Sequence[RawDirection], length: Fraction) -> Iterable[Sign]:
    """Yield the clefs of the upper stave; of several at one place the last counts."""
    here = (d for d in directions if d.kind == "clef" and d.staff == 1 and d.at < length)
    clefs = {d.at: d.text for d in here}
    for (start, text), end in zip(clefs.items(), [*list(clefs)[1:], length], strict=False):
        yield Sign(start_beats=start, end_beats=end, kind=SignKind.CLEF, text=text)


def _note(tone: _Tone, loudness: WrittenLevels, regions: Steps[int] | None) -> Note:
    greatest = 0 if regions is None else regions.at(tone.on)
    velocity = loudness.velocity(tone.on, tone.percent, greatest)
    louder = max((ACCENT_VELOCITIES.get(mark.kind, 0) for mark in tone.marks), default=0)
    if tone.on in loudness.accents:
        louder = max(louder, ACCENT_VELOCITIES[SignKind.STRONG_ACCENT])
    return Note(
        on_beats=tone.on,
        off_beats=tone.off,
        pitch=tone.pitch,
        velocity=min(velocity + louder, MAX_VELOCITY),
        spelling=tone.spelling,
        is_grace=tone.is_grace,
    )


def _marks_on(tone: _Tone, loudness: WrittenLevels) -> Iterable[Sign]:
    kinds = dict.fromkeys(mark.kind for mark in tone.marks)
    if tone.on in loudness.accents:
        kinds.setdefault(SignKind.ACCENT)
    for kind in kinds:
        yield Sign(start_beats=tone.on, end_beats=tone.off, kind=kind, pitches=(tone.pitch,))

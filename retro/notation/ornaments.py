"""Tremolo and trills: many played notes under one sign where that is sure, else written out.

Whether strokes are fast, even and of one sort is read from the mirrored performance; where the sign
begins and ends is what is written for its first and its last note. A *measured* tremolo stands on
the grid, whole beats at a time, with as many strokes as the repeated value has flags; a stroke
faster than that, off the grid, is an *unmeasured* one with three. A trill is two notes a second
apart; wider ones stay written out.

Conventions
-----------
Rates are strokes a second. Notes that follow each other on one sign are a *run*.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise, product
from statistics import median

from retro.model.instruments import Family, Instrument, Sound
from retro.model.performance import Performance, PlayedNote
from retro.model.time import Bar, bar_index, line_beats
from retro.notation.grid import Grid
from retro.notation.score import Articulation, Chord, Mark, Spelled
from retro.notation.spelling import step_above
from retro.notation.voices import single_chords
from retro.reversal.mirror import performed

MEASURED_VALUES = {Fraction(1, 4): 2, Fraction(1, 8): 3}
"""Strokes of each value that is repeated: as many as it has flags (common practice). Eighths are
written out: parts abbreviate them where room is short, and an insert is short."""

MIN_STROKES = 4
MIN_MEASURED_BEATS = Fraction(1)
MIN_MEASURED_PER_S = 5.0
"""What is worth an abbreviation: four strokes and a quarter note (common practice), and a rate at
which nobody counts the notes (our own estimate)."""

UNMEASURED = 12.0
"""Rate from which strokes are not told apart, nor counted by who plays them (common practice)."""

MIN_UNMEASURED = 6
TRILL = 9.0
MIN_TRILLED = 6
"""Slowest trill, and fewest notes of a trill and of an unmeasured tremolo (common practice)."""

JUST_AS_FAST, AS_ITS_NEIGHBOUR = 0.97, 0.9
"""Shares of such a rate that are as good: nobody hears a tempo that differs by 3 % (from memory),
and nobody reads one of two like figures note by note because it is a tenth slower (our own
estimate)."""

MAX_SIGNED_S = 3.0 / TRILL
"""Length of a note that can be one of them: a pedal may let it ring on over the next two."""

EVEN = 0.25
"""Share of the usual step by which a step between two strokes may differ (our own estimate)."""

SAME_VELOCITIES = 12
"""Steps between velocities that are one dynamic; more is meant (our own estimate)."""

DETACHED_SHARE = 0.5
"""Strokes that sound for no more of their time are dotted, and so written out (the share that
`retro.notation.articulation` dots)."""

TREMOLO_EDGE_BEATS = Fraction(1, 2)
TRILL_EDGE_BEATS = Fraction(1, 4)
"""An unmeasured sign begins and ends on a multiple of this, else no eye reads it."""

_TREMBLING = (Family.WOODWIND, Family.BRASS, Family.PERCUSSION, Family.KEYBOARD, Family.STRINGS)
_TRILLING = (Family.WOODWIND, Family.BRASS, Family.KEYBOARD, Family.STRINGS)

Positions = Callable[[Fraction], bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Performed:
    """A chord as it is written, and as the mirror has it performed."""

    chord: Chord
    on_beats: Fraction
    off_beats: Fraction
    on_s: float
    velocity: int

    @property
    def pitch(self) -> int:
        return self.chord.pitches[0]

    @property
    def value_beats(self) -> Fraction:
        return self.chord.off_beats - self.chord.on_beats


def signed_chords(
    performance: Performance, notes: Sequence[int], names: Sequence[Spelled]
) -> list[Chord]:
    """Return trills, and tremolo too fast to be measured, among the notes of one part.

    One chord per sign, each named after its main note; no note is in two of them. `names` has the
    written pitch of every note of the performance.
    """
    if not notes:
        return []
    instrument = performance.player_of(notes[0]).instrument
    quick = [i for i in notes if _length_s(performance.notes[i]) <= MAX_SIGNED_S]
    struck = [
        _struck(performance, chord) for chord in single_chords(performance, quick, names=names)
    ]
    struck.sort(key=lambda each: (each.on_beats, each.off_beats, each.pitch))
    found: list[Chord] = []
    if _may_trill(instrument):
        found += _fast_enough(_trills(struck, names), TRILL)
    if _may_roll(instrument):
        word = "roll" if instrument.sound is Sound.STRUCK else "trem."
        found += _fast_enough(_rolls(struck, word), UNMEASURED)
    return list(_apart(found))


def with_measured(performance: Performance, chords: Sequence[Chord]) -> list[Chord]:
    """Return the chords of one stave, the repeated ones under measured tremolo where that is sure.

    They are in order, before and after; those that have a sign keep it.
    """
    if not chords:
        return []
    instrument = performance.player_of(chords[0].notes[0]).instrument
    if instrument.family not in _TREMBLING or _is_plucked_string(instrument):
        return list(chords)
    struck = [
        _struck(performance, chord)
        for chord in chords
        if chord.mark is None
        and not chord.graces
        and chord.off_beats - chord.on_beats in MEASURED_VALUES
    ]
    found = list(_measured(struck, performance.insert.bars, instrument))
    taken = {i for chord in found for i in chord.all_notes}
    left = [chord for chord in chords if chord.notes[0] not in taken]
    return sorted([*left, *found], key=lambda b: (b.on_beats, -b.pitches[-1], b.off_beats))


def said_once(marks: Iterable[Mark]) -> Iterator[Mark]:
    """Leave out words that the tremolo before has said."""
    said = ""
    for mark in marks:
        if mark.kind is not Articulation.TREMOLO:
            yield mark
            continue
        yield replace(mark, text="") if mark.text == said else mark
        said = mark.text


def _is_plucked_string(instrument: Instrument) -> bool:
    return instrument.family is Family.STRINGS and instrument.sound is Sound.STRUCK


def _may_trill(instrument: Instrument) -> bool:
    return instrument.family in _TRILLING and not _is_plucked_string(instrument)


def _may_roll(instrument: Instrument) -> bool:
    """Whether three strokes are a bow's tremolo or a roll; a wind player's tongue flutters then."""
    if instrument.family is Family.PERCUSSION:
        return True
    return instrument.family is Family.STRINGS and instrument.sound is Sound.SUSTAINED


def _length_s(note: PlayedNote) -> float:
    return note.target_off_s - note.target_on_s


def _struck(performance: Performance, chord: Chord) -> _Performed:
    notes = performed(performance, chord.notes)
    on = sum((note.on_beats for note in notes), Fraction(0)) / len(notes)
    off = sum((note.off_beats for note in notes), Fraction(0)) / len(notes)
    return _Performed(
        chord=chord,
        on_beats=on,
        off_beats=off,
        on_s=float(performance.insert.tempo.seconds_at(on)),
        velocity=max(note.velocity for note in notes),
    )


def _fast_enough(rated: Iterable[tuple[float, Chord]], least: float) -> Iterator[Chord]:
    """Yield the figures of a part that are fast enough, by their rates: all of them near one."""
    found = list(rated)
    fastest = max((rate for rate, _ in found), default=0.0)
    share = AS_ITS_NEIGHBOUR if fastest >= JUST_AS_FAST * least else JUST_AS_FAST
    yield from (chord for rate, chord in found if rate >= share * least)


def _apart(chords: Iterable[Chord]) -> Iterator[Chord]:
    """Leave out the chords that have a note of one before."""
    taken: set[int] = set()
    for chord in chords:
        if taken.isdisjoint(chord.all_notes):
            taken.update(chord.all_notes)
            yield chord


def _joined(run: Sequence[_Performed], mark: Mark, main: _Performed | None = None) -> Chord:
    """Put a run under a sign on its main note, else on its first."""
    chord = (main or run[0]).chord
    by_head = zip(*(each.chord.notes for each in run), strict=True)
    return replace(
        chord,
        on_beats=run[0].chord.on_beats,
        off_beats=run[-1].chord.off_beats,
        more=tuple(tuple(i for i in notes if i not in chord.notes) for notes in by_head),
        mark=mark,
    )


def _runs(
    struck: Iterable[_Performed], goes_on: Callable[[Sequence[_Performed], _Performed], bool]
) -> Iterator[tuple[_Performed, ...]]:
    run: list[_Performed] = []
    for each in struck:
        if run and not goes_on(run, each):
            yield tuple(run)
            # A trill may begin with the note that a slower step led to.
            is_new = len(run) < MIN_TRILLED and goes_on(run[-1:], each)
            run = run[-1:] if is_new else []
        run.append(each)
    yield tuple(run)


def _is_alike(before: _Performed, after: _Performed, rate: float) -> bool:
    """Whether two strokes follow at a rate at least, in one dynamic."""
    step_s = after.on_s - before.on_s
    return 0.0 < step_s * rate <= 1.0 and abs(after.velocity - before.velocity) <= SAME_VELOCITIES


def _keeps_step(run: Sequence[_Performed], each: _Performed) -> bool:
    """Whether a stroke comes after as long as the last one did, as far as evenness allows."""
    if len(run) < 2:
        return True
    last_s, step_s = run[-1].on_s - run[-2].on_s, each.on_s - run[-1].on_s
    return abs(step_s - last_s) <= 2 * EVEN * min(step_s, last_s)


def _is_even(run: Sequence[_Performed]) -> bool:
    """Whether strokes begin and end evenly and sound for most of their time."""
    ons = [float(b.on_beats - a.on_beats) for a, b in pairwise(run)]
    offs = [float(b.off_beats - a.off_beats) for a, b in pairwise(run)]
    usual = median([*ons, *offs])
    sounding = median(float(each.off_beats - each.on_beats) for each in run)
    return (
        all(abs(step - usual) <= EVEN * usual for step in (*ons, *offs))
        and sounding > DETACHED_SHARE * usual
    )


def _holds(run: Sequence[_Performed]) -> bool:
    """Whether what is written for every stroke lies between the first one's and the last one's."""
    on, off = run[0].chord.on_beats, run[-1].chord.off_beats
    return on < off and all(on <= s.chord.on_beats and s.chord.off_beats <= off for s in run)


def _trimmed(run: Sequence[_Performed], is_edge: Positions) -> tuple[_Performed, ...]:
    """Return the longest stretch of a run that begins and ends on an edge."""
    firsts = [k for k, each in enumerate(run) if is_edge(each.chord.on_beats)]
    lasts = [k for k, each in enumerate(run) if is_edge(each.chord.off_beats)]
    return tuple(run[firsts[0] : lasts[-1] + 1]) if firsts and lasts else ()


def _by_pitches(struck: Iterable[_Performed]) -> Iterable[list[_Performed]]:
    groups: dict[tuple[int, ...], list[_Performed]] = defaultdict(list)
    for each in struck:
        groups[each.chord.pitches].append(each)
    return groups.values()


def _measured(
    struck: Iterable[_Performed], bars: Sequence[Bar], instrument: Instrument
) -> Iterator[Chord]:
    """Find tremolo of 16ths and 32nds, in whole beats."""
    most_strokes = 3 if _may_roll(instrument) else 2
    may_be_chord = instrument.family is not Family.KEYBOARD
    for group in _by_pitches(struck):
        for whole in _runs(group, _repeats):
            run = _trimmed(whole, lambda at: _is_beat(bars, at))
            strokes = MEASURED_VALUES.get(whole[0].value_beats)
            if strokes is None or strokes > most_strokes or not _is_worth(run):
                continue
            if _is_even(run) and (may_be_chord or len(run[0].chord.pitches) == 1):
                is_slow = strokes == 3 and _rate(run) < UNMEASURED
                mark = Mark(
                    at_beats=run[0].chord.on_beats,
                    kind=Articulation.TREMOLO,
                    strokes=strokes,
                    text="measured" if is_slow else "",
                )
                yield _joined(run, mark)


def _repeats(run: Sequence[_Performed], each: _Performed) -> bool:
    before = run[-1]
    return (
        before.chord.off_beats == each.chord.on_beats
        and before.value_beats == each.value_beats
        and _is_alike(before, each, MIN_MEASURED_PER_S * (1 - EVEN))
    )


def _is_worth(run: Sequence[_Performed]) -> bool:
    if len(run) < MIN_STROKES:
        return False
    length = run[-1].chord.off_beats - run[0].chord.on_beats
    return length >= MIN_MEASURED_BEATS and _rate(run) >= MIN_MEASURED_PER_S


def _rate(run: Sequence[_Performed]) -> float:
    return (len(run) - 1) / (run[-1].on_s - run[0].on_s)


def _is_beat(bars: Sequence[Bar], at: Fraction) -> bool:
    """Whether a head may begin or end at a place without a flag: a beat, or a quarter note."""
    index = bar_index(bars, at)
    bar, inside = bars[index], at - line_beats(bars, index)
    if bar.meter.denominator < 8:
        return inside.denominator == 1
    return inside in Grid(bar.meter).beats or at == bar.end_beats


def _rolls(struck: Iterable[_Performed], word: str) -> Iterator[tuple[float, Chord]]:
    """Find tremolo and rolls too fast to be measured, with their rates; not what is on the grid."""
    for group in _by_pitches(struck):
        for whole in _runs(group, _rolls_on):
            run = _trimmed(whole, lambda at: at % TREMOLO_EDGE_BEATS == 0)
            is_roll = (
                len(run) >= MIN_UNMEASURED
                and _rate(run) >= AS_ITS_NEIGHBOUR * UNMEASURED
                and _is_even(run)
                and _holds(run)
                and not _is_on_grid(run)
            )
            if is_roll:
                at = run[0].chord.on_beats
                mark = Mark(at_beats=at, kind=Articulation.TREMOLO, text=word)
                yield _rate(run), _joined(run, mark)


def _rolls_on(run: Sequence[_Performed], each: _Performed) -> bool:
    return _is_alike(run[-1], each, UNMEASURED * (1 - EVEN)) and _keeps_step(run, each)


def _is_on_grid(run: Sequence[_Performed]) -> bool:
    """Whether strokes of one plain value follow each other on paper."""
    follow = all(a.chord.off_beats == b.chord.on_beats for a, b in pairwise(run))
    values = {each.value_beats for each in run}
    return follow and len(values) == 1 and values <= MEASURED_VALUES.keys()


def _trills(
    struck: Sequence[_Performed], names: Sequence[Spelled]
) -> Iterator[tuple[float, Chord]]:
    """Find trills, with their rates; a trill ends on its main note, the lower one."""
    pitches = {each.pitch for each in struck}
    for lower, semitones in product(sorted(pitches), (1, 2)):
        if lower + semitones not in pitches:
            continue
        both = [each for each in struck if each.pitch in (lower, lower + semitones)]
        for run in _runs(both, _alternates):
            if not _is_trill(run, lower):
                continue
            main = next(each for each in run if each.pitch == lower)
            upper = step_above(names[main.chord.notes[0]], semitones)
            if upper is not None:
                mark = Mark(
                    at_beats=run[0].chord.on_beats,
                    kind=Articulation.TRILL,
                    upper=upper,
                    text="" if run[0] is main else "from above",
                )
                yield _rate(run), _joined(run, mark, main)


def _is_trill(run: Sequence[_Performed], lower: int) -> bool:
    edges = (run[0].chord.on_beats, run[-1].chord.off_beats)
    return (
        len(run) >= MIN_TRILLED
        and _rate(run) >= AS_ITS_NEIGHBOUR * TRILL
        and run[-1].pitch == lower
        and all(edge % TRILL_EDGE_BEATS == 0 for edge in edges)
        and _is_even(run)
        and _holds(run)
    )


def _alternates(run: Sequence[_Performed], each: _Performed) -> bool:
    is_other = each.pitch != run[-1].pitch
    return is_other and _is_alike(run[-1], each, TRILL * (1 - EVEN)) and _keeps_step(run, each)

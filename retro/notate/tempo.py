"""Tempo as a player reads it: few words and metronome marks out of many small steps.

A tempo that holds for a while gets a metronome mark; a run of short steps between such places
becomes "rit." or "accel.". The exact steps go out as sound, so that a program plays what is meant.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from retro.model.time import Bar, Meter, TempoMap
from retro.units import us_per_quarter_to_bpm

HOLDS_BEATS = Fraction(2)
"""Shortest span of one tempo that gets a metronome mark (our own choice)."""

NOTICEABLE = 0.03
"""Smallest change of tempo that gets a word (our own choice; 2 to 8 % is just noticeable, from
memory)."""

SLOWER, FASTER = "rit.", "accel."


@dataclass(frozen=True, slots=True, kw_only=True)
class TempoMark:
    """What is printed over the system at one place.

    Parameters
    ----------
    at_beats
        Insert time.
    words
        "rit.", "accel." or empty.
    unit
        Note that the metronome mark counts, in quarter notes (3/2 is a dotted quarter), or None.
    per_minute
        How many of them, to two decimals without trailing zeros; empty without a unit.
    """

    at_beats: Fraction
    words: str = ""
    unit: Fraction | None = None
    per_minute: str = ""


@dataclass(frozen=True, slots=True)
class _Run:
    """A tempo that holds (one step), or a run of short ones."""

    start: Fraction
    holds: bool
    values: tuple[int, ...]


def counted_unit(meter: Meter) -> Fraction:
    """Give the note that a metronome counts in a meter (common practice).

    The dotted note in compound meters, the unit itself in additive ones, the half note in halves.
    """
    sizes = set(meter.groups)
    if len(sizes) > 1 and meter.denominator >= 8:
        return meter.unit_beats
    return meter.unit_beats * (meter.groups[0] if meter.denominator >= 8 else 1)


def tempo_marks(tempo: TempoMap, bars: Sequence[Bar]) -> tuple[TempoMark, ...]:
    """Give the printed marks of a tempo map in order; the first is a metronome mark at 0."""
    marks: list[TempoMark] = []
    printed, unit = 0, Fraction(0)
    for index, run in enumerate(_runs(tempo)):
        if index > 0 and not run.holds:
            marks.extend(_words(run, printed))
            printed = printed if not marks or not marks[-1].words else 0
            continue
        first = run.values[0]
        if _differs(first, printed):
            unit = counted_unit(_bar_at(bars, run.start).meter)
            marks.append(_metronome(run.start, first, unit))
            printed = first
        if not run.holds:
            marks.extend(_words(run, printed))
            printed = printed if not marks[-1].words else 0
    return tuple(sorted((*marks, *_new_units(tempo, bars, marks)), key=lambda mark: mark.at_beats))


def _differs(us: int, printed: int) -> bool:
    return printed == 0 or abs(us - printed) > NOTICEABLE * printed


def _metronome(at: Fraction, us: int, unit: Fraction) -> TempoMark:
    per_minute = us_per_quarter_to_bpm(us) / unit
    text = f"{float(per_minute):.2f}".rstrip("0").rstrip(".")
    return TempoMark(at_beats=at, unit=unit, per_minute=text)


def _bar_at(bars: Sequence[Bar], at: Fraction) -> Bar:
    return next((bar for bar in bars if bar.start_beats <= at < bar.end_beats), bars[-1])


def _runs(tempo: TempoMap) -> list[_Run]:
    runs: list[_Run] = []
    for start, end, us in tempo.us_per_quarter.spans():
        holds = end - start >= HOLDS_BEATS
        if holds or not runs or runs[-1].holds:
            runs.append(_Run(start, holds, (us,)))
        else:
            runs[-1] = _Run(runs[-1].start, False, (*runs[-1].values, us))
    return runs


def _words(run: _Run, printed: int) -> list[TempoMark]:
    """Give one word for a run of short steps, where it goes somewhere."""
    first = printed or run.values[0]
    last = run.values[-1]
    if not _differs(last, first):
        return []
    return [TempoMark(at_beats=run.start, words=SLOWER if last > first else FASTER)]


def _new_units(tempo: TempoMap, bars: Sequence[Bar], marks: list[TempoMark]) -> list[TempoMark]:
    """Repeat the metronome mark where a meter counts in another note."""
    taken = {mark.at_beats for mark in marks if mark.unit is not None}
    new: list[TempoMark] = []
    unit = counted_unit(bars[0].meter)
    for bar in bars:
        changed = counted_unit(bar.meter)
        if changed != unit and bar.start_beats not in taken:
            new.append(
                _metronome(bar.start_beats, tempo.us_per_quarter.at(bar.start_beats), changed)
            )
        unit = changed
    return new

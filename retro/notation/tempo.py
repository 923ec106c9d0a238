"""Tempo as a player reads it: few words and metronome marks out of many small steps.

A tempo that holds for a while gets a metronome mark; a run of short steps between such places
becomes "rit." or "accel.". The exact steps go out as sound, so that a program plays what is meant.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from retro.model.time import Bar, Meter, TempoMap, bar_index
from retro.units import nearest, us_per_quarter_to_bpm

HOLDS_BEATS = Fraction(2)
"""Shortest span of one tempo that gets a metronome mark, and longest step of a gradual change (our
own choice)."""

MIN_STEPS = 3
"""Steps in one direction that make a gradual change (our own choice)."""

NOTICEABLE = 0.03
"""Smallest change of tempo that is printed (our own choice; 2 to 8 % is just noticeable, from
memory)."""

MIN_TURNS = 4
WAVERING = 0.4
"""Turns of the tempo, and their share of its changes, that make it waver: then one mark says about
how fast, and the click says the rest (our own choice)."""

SLOWER, FASTER = "rit.", "accel."

Span = tuple[Fraction, Fraction, int]


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
        How many of them, to two decimals without trailing zeros, or "c. 71" where the tempo
        wavers; empty without a unit.
    is_equal
        Whether it says that the unit lasts as long as before ("♪ = ♪"), where the meter counts in
        another note.
    """

    at_beats: Fraction
    words: str = ""
    unit: Fraction | None = None
    per_minute: str = ""
    is_equal: bool = False


def counted_unit(meter: Meter) -> Fraction:
    """Return the note that a metronome counts in a meter (common practice).

    The dotted note in compound meters, the unit itself in additive ones, the half note in halves.
    """
    sizes = set(meter.groups)
    if len(sizes) > 1 and meter.denominator >= 8:
        return meter.unit_beats
    return meter.unit_beats * (meter.groups[0] if meter.denominator >= 8 else 1)


def tempo_marks(tempo: TempoMap, bars: Sequence[Bar]) -> tuple[TempoMark, ...]:
    """Return the printed marks of a tempo map in order; the first is a metronome mark at 0."""
    spans = list(tempo.us_per_quarter.spans())
    if _wavers(spans):
        mean_us = nearest(tempo.length_s / tempo.length_beats * 1_000_000)
        return (_metronome(Fraction(0), mean_us, bars, about=True),)
    gradual = _gradual(spans)
    ends = {last for _, last in gradual}
    moving = {index for first, last in gradual for index in range(first + 1, last)}
    marks = [_metronome(Fraction(0), spans[0][2], bars)]
    printed = spans[0][2]
    for index, (start, end, us) in enumerate(spans[1:], start=1):
        holds = end - start >= HOLDS_BEATS and index not in moving
        if holds and (index in ends or _differs(us, printed)):
            marks.append(_metronome(start, us, bars))
            printed = us
    marks.extend(_word(spans, first, last) for first, last in gradual)
    marks.extend(_new_units(bars, marks, [(spans[f][0], spans[k][0]) for f, k in gradual]))
    return tuple(sorted(marks, key=lambda mark: (mark.at_beats, mark.words)))


def _wavers(spans: Sequence[Span]) -> bool:
    """Whether the tempo goes to and fro, as in a song that was played without a click."""
    rising = [later > us for (_, _, us), (_, _, later) in pairwise(spans)]
    turns = sum(before != after for before, after in pairwise(rising))
    return turns >= MIN_TURNS and turns >= WAVERING * len(rising)


def _differs(us: int, other: int) -> bool:
    return abs(us - other) > NOTICEABLE * other


def _metronome(at: Fraction, us: int, bars: Sequence[Bar], *, about: bool = False) -> TempoMark:
    unit = counted_unit(bars[bar_index(bars, at)].full_meter)
    per_minute = us_per_quarter_to_bpm(us) / unit
    exact = f"{float(per_minute):.2f}".rstrip("0").rstrip(".")
    return TempoMark(
        at_beats=at, unit=unit, per_minute=f"c. {nearest(per_minute)}" if about else exact
    )


def _word(spans: Sequence[Span], first: int, last: int) -> TempoMark:
    """Return the word of a gradual change; a long first tempo holds until it begins."""
    start, end, us = spans[first]
    at = end if end - start > HOLDS_BEATS else start
    return TempoMark(at_beats=at, words=SLOWER if spans[last][2] > us else FASTER)


def _gradual(spans: Sequence[Span]) -> list[tuple[int, int]]:
    """Return (first, last) span of every change that goes step by step in one direction."""
    found = []
    first = 0
    for index in range(1, len(spans) + 1):
        if index < len(spans) and _goes_on(spans, first, index):
            continue
        last = index - 1
        if last - first >= MIN_STEPS and _differs(spans[last][2], spans[first][2]):
            found.append((first, last))
        first = last
    return found


def _goes_on(spans: Sequence[Span], first: int, index: int) -> bool:
    """Whether span `index` goes on in the direction that began at `first`."""
    if index == first + 1:
        return True
    start, end, us = spans[index - 1]
    is_slower = spans[first + 1][2] > spans[first][2]
    return end - start <= HOLDS_BEATS and (spans[index][2] > us) is is_slower


def _new_units(
    bars: Sequence[Bar],
    marks: Sequence[TempoMark],
    moving: Sequence[tuple[Fraction, Fraction]],
) -> list[TempoMark]:
    """Say which note stays as long where a meter counts in another one and the tempo holds."""
    taken = {mark.at_beats for mark in marks if mark.unit is not None}
    new = []
    for before, bar in pairwise(bars):
        at, units = bar.start_beats, (before.full_meter.unit_beats, bar.full_meter.unit_beats)
        is_new = counted_unit(bar.full_meter) != counted_unit(before.full_meter)
        if is_new and at not in taken and not any(start <= at < end for start, end in moving):
            new.append(TempoMark(at_beats=at, unit=min(units), is_equal=True))
    return new

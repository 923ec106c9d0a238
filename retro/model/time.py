"""Time inside a window: step functions, meters, bars and places in them, the tempo map.

Conventions
-----------
All positions are quarter notes (`Fraction`) on the window's own time, 0 to its length. Spans are
half open, ``[start, end)``. Bars and beats count from 1, indexes from 0. A beat of a bar is the
unit of its meter, as players count aloud: a pick-up of two beats in 4/4 is counted 3, 4; a short
bar inside the phrase or at its end 1, 2.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import accumulate, pairwise
from operator import itemgetter
from typing import Generic, TypeVar

T = TypeVar("T")
At = TypeVar("At", int, Fraction)

Span = tuple[Fraction, Fraction]
"""Where something begins and ends, half open."""

NOTE_SIZES = frozenset((1, 2, 3, 4, 6, 8, 12, 16))
"""Units that one note can hold, which is a beat group then."""

BEAT_DECIMALS = 3
"""Decimals to which a beat is printed."""

METER_SCALES = (1, 2, 4, 8)
"""How many times finer than its own unit a short bar's meter may count."""


@dataclass(frozen=True, slots=True)
class Steps(Generic[T]):
    """A step function over ``[0, length)``: each value holds until the next change.

    Parameters
    ----------
    length
        End of the span, in quarter notes; above 0.
    starts
        Where each value begins: the first at 0, strictly rising, all below `length`.
    values
        One value per start; neighbours differ, so that equal functions are equal objects.
    """

    length: Fraction
    starts: tuple[Fraction, ...]
    values: tuple[T, ...]
    _rounded: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not self.starts or self.starts[0] != 0 or len(self.starts) != len(self.values):
            raise ValueError("a step function has one value per start and starts at 0")
        # What float() does with a fraction, in a third of the time.
        rounded = [at.numerator / at.denominator for at in (*self.starts, self.length)]
        places = zip(rounded, (*self.starts, self.length), strict=True)
        if any(b <= a for a, b in pairwise(places)):
            raise ValueError("the starts of a step function rise and stay below its length")
        if any(a == b for a, b in pairwise(self.values)):
            raise ValueError("neighbouring values of a step function differ")
        object.__setattr__(self, "_rounded", tuple(rounded[:-1]))

    @classmethod
    def from_changes(
        cls,
        changes: Iterable[tuple[At, T]],
        *,
        length: Fraction,
        before: T,
        beats: Callable[[At], Fraction] = Fraction,
    ) -> "Steps[T]":
        """Build from (position, value) changes; of several at one place the last counts.

        `before` is the value that holds until the first change. Changes at or before 0 set the
        value at 0, changes at or after `length` are left out. `beats` turns positions that are
        counted otherwise into quarter notes.
        """
        latest = dict(sorted(changes, key=itemgetter(0)))
        inside = [(beats(position), value) for position, value in latest.items()]
        while inside and inside[-1][0] >= length:
            inside.pop()
        starts, values = [Fraction(0)], [before]
        for start, value in inside:
            if start.numerator <= 0:
                values[0] = value
            elif value != values[-1]:
                starts.append(start)
                values.append(value)
        return cls(length, tuple(starts), tuple(values))

    def index_at(self, position: Fraction) -> int:
        """Index of the value at a position; outside the span, of that at the nearer end.

        Found among rounded starts, which compare many times faster; they keep their order, so only
        a tie can be wrong.
        """
        rounded = float(position)
        index = bisect_right(self._rounded, rounded) - 1
        while index > 0 and self._rounded[index] == rounded and self.starts[index] > position:
            index -= 1
        return max(index, 0)

    def at(self, position: Fraction) -> T:
        """Value at a position; outside the span, the value at the nearer end."""
        return self.values[self.index_at(position)]

    def spans(self) -> Iterator[tuple[Fraction, Fraction, T]]:
        """Yield (start, end, value) in order."""
        ends = (*self.starts[1:], self.length)
        yield from zip(self.starts, ends, self.values, strict=True)

    def cut(self, start: Fraction, end: Fraction) -> "Steps[T]":
        """Return the part between two positions, on its own time from 0."""
        first, last = self.index_at(start), self.index_at(end)
        if self.starts[last] == end:
            last -= 1
        kept = slice(first + 1, last + 1)
        inside = self.starts[kept] if start == 0 else [at - start for at in self.starts[kept]]
        values = (self.values[first], *self.values[kept])
        return Steps(end - start, (Fraction(0), *inside), values)

    def after(self, lead: Fraction) -> "Steps[T]":
        """Return the same function `lead` later; its first value holds from 0 on."""
        starts = (Fraction(0), *(start + lead for start in self.starts[1:]))
        return Steps(self.length + lead, starts, self.values)

    def mirrored(self) -> "Steps[T]":
        """Return the same function of ``length - t``."""
        turned = [(self.length - end, value) for _, end, value in reversed(list(self.spans()))]
        return Steps(self.length, tuple(a for a, _ in turned), tuple(v for _, v in turned))


@dataclass(frozen=True, slots=True)
class Meter:
    """A time signature with its beat groups.

    Parameters
    ----------
    numerator, denominator
        As printed: 7/8 is 7 and 8.
    groups
        Sizes of the beat groups in units of the denominator; they add up to the numerator.
    """

    numerator: int
    denominator: int
    groups: tuple[int, ...]

    def __post_init__(self) -> None:
        if sum(self.groups) != self.numerator or min(self.groups, default=0) < 1:
            raise ValueError(f"beat groups {self.groups} do not fill {self}")

    def __str__(self) -> str:
        return f"{self.numerator}/{self.denominator}"

    @classmethod
    def plain(cls, numerator: int, denominator: int) -> "Meter":
        """Return the meter with the usual grouping.

        Common practice: 6, 9, 12 over 8 or 16 beat in threes; 5 and 7 over 8 or 16 as 2+3 and
        2+2+3, other odd numbers over 8 in twos with a last three; all else by the unit.
        """
        compound = denominator >= 8
        if compound and numerator % 3 == 0 and numerator > 3:
            groups: tuple[int, ...] = (3,) * (numerator // 3)
        elif compound and numerator > 3 and numerator % 2:
            groups = (2,) * ((numerator - 3) // 2) + (3,)
        elif compound and numerator >= 4:
            groups = (2,) * (numerator // 2)
        elif compound and numerator == 3:
            groups = (3,)
        else:
            groups = (1,) * numerator
        return cls(numerator, denominator, groups)

    @property
    def unit_beats(self) -> Fraction:
        """Length of one unit of the denominator, in quarter notes."""
        return Fraction(4, self.denominator)

    @property
    def length_beats(self) -> Fraction:
        """Length of a full bar, in quarter notes."""
        return self.numerator * self.unit_beats

    def mirrored(self) -> "Meter":
        """Return the meter with its beat groups in reverse order: 2+2+3 becomes 3+2+2."""
        return Meter(self.numerator, self.denominator, self.groups[::-1])

    def pulses(self) -> tuple[Fraction, ...]:
        """Where the beat groups begin in a full bar, in quarter notes from the bar line."""
        starts = [Fraction(0)]
        for size in self.groups[:-1]:
            starts.append(starts[-1] + size * self.unit_beats)
        return tuple(starts)


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar: a span, and the meter that is printed for it.

    A bar whose length is not its meter's is incomplete: a pick-up, its mirrored last bar, or a
    bar that the window's edge cuts.

    Parameters
    ----------
    start_beats, length_beats
        Its span.
    meter
        As printed.
    into_beats
        How far into its full bar it begins: above 0 for a pick-up, and where the window begins
        inside a bar. Only the first bar of a phrase is counted by it (`line_beats`).
    number
        As the song prints it; None where nothing is printed and bars count from 1.
    cut_from
        The meter of the bar that this is a piece of, where `meter` is that of the piece; None of
        a bar that is printed under its own.
    """

    start_beats: Fraction
    length_beats: Fraction
    meter: Meter
    into_beats: Fraction = Fraction(0)
    number: int | None = None
    cut_from: Meter | None = None

    @property
    def end_beats(self) -> Fraction:
        """End of the bar, in quarter notes."""
        return self.start_beats + self.length_beats

    @property
    def is_full(self) -> bool:
        """Whether the bar is as long as its meter says."""
        return self.length_beats == self.meter.length_beats

    @property
    def full_meter(self) -> Meter:
        """The meter of the bar, or of that it is cut from."""
        return self.cut_from or self.meter

    def under_its_own_meter(self) -> "Bar":
        """Return a short bar with the meter that it fills, counted from 1.

        A bar that is full, or as long as no meter is, is returned as it is.
        """
        scale = next(
            (scale for scale in METER_SCALES if self._fills(scale * self.meter.denominator)), None
        )
        if self.is_full or scale is None:
            return self
        denominator = scale * self.meter.denominator
        first = int(self.into_beats * denominator / 4)
        last = first + int(self.length_beats * denominator / 4)
        edges = [0, *accumulate(scale * size for size in self.meter.groups)]
        sizes = [min(b, last) - max(a, first) for a, b in pairwise(edges)]
        groups = tuple(size for size in sizes if size > 0)
        if sum(groups) != last - first or not NOTE_SIZES.issuperset(groups):
            groups = Meter.plain(last - first, denominator).groups
        own = Meter(last - first, denominator, groups)
        return replace(self, meter=own, into_beats=Fraction(0), cut_from=self.meter)

    def _fills(self, denominator: int) -> bool:
        counts = (beats * denominator / 4 for beats in (self.into_beats, self.length_beats))
        return all(count.denominator == 1 for count in counts)


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """A bar from 1, and a beat of the bar from 1 in units of its meter."""

    bar: int
    beat: Fraction

    def __str__(self) -> str:
        return f"bar {self.bar} beat {beat_words(self.beat)}"


def beat_words(beat: Fraction | float) -> str:
    """Return a beat as it is printed everywhere: to three decimals, without zeros at the end."""
    return f"{float(beat):.{BEAT_DECIMALS}f}".rstrip("0").rstrip(".")


def bar_index(bars: Sequence[Bar], at_beats: Fraction, *, is_end: bool = False) -> int:
    """Return the index of the bar that holds a position; beyond the ends, of the nearer bar.

    A position that ends something (`is_end`) belongs on a bar line to the bar before.
    """
    find = bisect_left if is_end else bisect_right
    return max(find(bars, at_beats, key=lambda bar: bar.start_beats) - 1, 0)


def line_beats(bars: Sequence[Bar], index: int) -> Fraction:
    """Return where a bar is counted from: its bar line, which a cut first bar has before it."""
    bar = bars[index]
    return bar.start_beats - (bar.into_beats if index == 0 else 0)


def locate(bars: Sequence[Bar], at_beats: Fraction) -> Place:
    """Return the bar and beat of a position; beyond the ends, bars of the end meters go on.

    Its inverse is `position`.
    """
    index = bar_index(bars, at_beats)
    bar = bars[index]
    since_beats = at_beats - line_beats(bars, index)
    if at_beats < bar.start_beats or at_beats >= bar.end_beats:
        further, since_beats = divmod(since_beats, bar.meter.length_beats)
        index += int(further)
    return Place(index + 1, since_beats / bar.meter.unit_beats + 1)


def printed_number(bars: Sequence[Bar], bar: int) -> int:
    """Return the number that the song prints for a bar counted from 1; they go on at the ends."""
    index = min(max(bar - 1, 0), len(bars) - 1)
    number = bars[index].number
    return bar if number is None else number + bar - 1 - index


def printed_place(
    bars: Sequence[Bar], at_beats: Fraction, *, decimals: int = BEAT_DECIMALS
) -> Place:
    """Return the place of a position by the bar numbers that the song prints.

    What would be printed, to some decimals, as a beat more than its bar has, since it lies a hair
    before the next bar line, is that bar's first beat.
    """
    place = locate(bars, at_beats)
    unit = bars[min(max(place.bar, 1), len(bars)) - 1].meter.unit_beats
    rounded = locate(bars, at_beats + unit / (2 * 10**decimals))
    if rounded.bar != place.bar:
        place = Place(rounded.bar, Fraction(1))
    return replace(place, bar=printed_number(bars, place.bar))


def position(bars: Sequence[Bar], place: Place) -> Fraction:
    """Return the position of a bar and beat in quarter notes: the inverse of `locate`."""
    index = min(max(place.bar - 1, 0), len(bars) - 1)
    meter = bars[index].meter
    further_beats = (place.bar - 1 - index) * meter.length_beats
    return line_beats(bars, index) + further_beats + (place.beat - 1) * meter.unit_beats


def pulses(bars: Sequence[Bar]) -> Iterator[tuple[Fraction, Place]]:
    """Yield where every beat group begins, as a position and as a place."""
    for index, bar in enumerate(bars):
        line = line_beats(bars, index)
        for pulse in bar.meter.pulses():
            if bar.start_beats <= line + pulse < bar.end_beats:
                yield line + pulse, Place(index + 1, pulse / bar.meter.unit_beats + 1)


def with_pick_up(bars: tuple[Bar, ...]) -> tuple[Bar, ...]:
    """Return the bars of a song; a first bar that is short is a pick-up, counted up to its end."""
    first = bars[0]
    into_beats = first.meter.length_beats - first.length_beats
    return (replace(first, into_beats=into_beats), *bars[1:])


def count_in_bars(first: Bar, count: int) -> tuple[Bar, ...]:
    """Return full bars of the first bar's meter, or of that it is cut from, that lead up to it."""
    meter = first.full_meter
    length = meter.length_beats
    return tuple(
        Bar(first.start_beats - (count - index) * length, length, meter) for index in range(count)
    )


@dataclass(frozen=True, slots=True)
class TempoMap:
    """Tempo over the window, and the exact way between beats and seconds.

    It holds microseconds a quarter note, as MIDI states tempo.
    """

    us_per_quarter: Steps[int]
    _seconds: tuple[Fraction, ...] = field(init=False, repr=False, compare=False)
    _lines: tuple[tuple[Fraction, Fraction], ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        seconds = [Fraction(0)]
        lines = []
        for start, end, us in self.us_per_quarter.spans():
            s_per_beat = Fraction(us, 1_000_000)
            lines.append((seconds[-1] - start * s_per_beat, s_per_beat))
            seconds.append(seconds[-1] + (end - start) * s_per_beat)
        object.__setattr__(self, "_seconds", tuple(seconds))
        object.__setattr__(self, "_lines", tuple(lines))

    @property
    def length_beats(self) -> Fraction:
        """Length in quarter notes."""
        return self.us_per_quarter.length

    @property
    def length_s(self) -> Fraction:
        """Length in seconds, exactly."""
        return self._seconds[-1]

    def seconds_at(self, beats: Fraction) -> Fraction:
        """Seconds at a position in quarter notes; beyond the ends the end tempo goes on."""
        at_0_s, s_per_beat = self._lines[self.us_per_quarter.index_at(beats)]
        return at_0_s + beats * s_per_beat

    def span_s(self, start: Fraction, end: Fraction) -> float:
        """Seconds from one position in quarter notes to another."""
        return float(self.seconds_at(end) - self.seconds_at(start))

    def beats_at(self, seconds: Fraction | float) -> Fraction:
        """Quarter notes at a time in seconds; the exact inverse of `seconds_at`."""
        exact_s = Fraction(seconds)
        steps = self.us_per_quarter
        index = min(max(bisect_right(self._seconds, exact_s) - 1, 0), len(steps.starts) - 1)
        return (
            steps.starts[index] + (exact_s - self._seconds[index]) * 1_000_000 / steps.values[index]
        )

    def cut(self, start: Fraction, end: Fraction) -> "TempoMap":
        """Return the map between two positions, on its own time from 0."""
        return TempoMap(self.us_per_quarter.cut(start, end))

    def mirrored(self) -> "TempoMap":
        """Return the map in reverse: an accelerando becomes a ritardando."""
        return TempoMap(self.us_per_quarter.mirrored())

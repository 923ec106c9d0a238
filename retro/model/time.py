"""Time inside a window: step functions, meters, bars, the tempo map.

Conventions
-----------
All positions are quarter notes (`Fraction`) on the window's own time, 0 to its length. Spans are
half open, ``[start, end)``. Bars count from 1, indexes from 0.
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from operator import itemgetter
from typing import Generic, TypeVar

T = TypeVar("T")


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
        rounded = [*map(float, self.starts), float(self.length)]
        places = zip(rounded, (*self.starts, self.length), strict=True)
        if any(b <= a for a, b in pairwise(places)):
            raise ValueError("the starts of a step function rise and stay below its length")
        if any(a == b for a, b in pairwise(self.values)):
            raise ValueError("neighbouring values of a step function differ")
        object.__setattr__(self, "_rounded", tuple(rounded[:-1]))

    @classmethod
    def from_changes(
        cls, changes: Iterable[tuple[Fraction, T]], *, length: Fraction, before: T
    ) -> "Steps[T]":
        """Build from (position, value) changes; of several at one place the last counts.

        `before` is the value that holds until the first change. Changes at or before 0 set the
        value at 0, changes at or after `length` are left out.
        """
        inside = sorted(changes, key=itemgetter(0))
        while inside and inside[-1][0] >= length:
            inside.pop()
        starts, values = [Fraction(0)], [before]
        for position, value in inside:
            if position == starts[-1] or position.numerator <= 0:
                values[-1] = value
            else:
                starts.append(position)
                values.append(value)
        new = [i for i, value in enumerate(values) if i == 0 or value != values[i - 1]]
        return cls(length, tuple(starts[i] for i in new), tuple(values[i] for i in new))

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
        """Give the part between two positions, on its own time from 0."""
        first, last = self.index_at(start), self.index_at(end)
        if self.starts[last] == end:
            last -= 1
        kept = slice(first + 1, last + 1)
        inside = self.starts[kept] if start == 0 else [at - start for at in self.starts[kept]]
        values = (self.values[first], *self.values[kept])
        return Steps(end - start, (Fraction(0), *inside), values)

    def after(self, lead: Fraction) -> "Steps[T]":
        """Give the same function `lead` later; its first value holds from 0 on."""
        starts = (Fraction(0), *(start + lead for start in self.starts[1:]))
        return Steps(self.length + lead, starts, self.values)

    def mirrored(self) -> "Steps[T]":
        """Give the same function of ``length - t``."""
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
        """Give the meter with the usual grouping.

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
        """Give the meter with its beat groups in reverse order: 2+2+3 becomes 3+2+2."""
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
    """

    start_beats: Fraction
    length_beats: Fraction
    meter: Meter

    @property
    def end_beats(self) -> Fraction:
        """End of the bar, in quarter notes."""
        return self.start_beats + self.length_beats

    @property
    def is_full(self) -> bool:
        """Whether the bar is as long as its meter says."""
        return self.length_beats == self.meter.length_beats


def count_in_bars(first: Bar, count: int) -> tuple[Bar, ...]:
    """Give full bars of the first bar's meter that lead up to it."""
    length = first.meter.length_beats
    return tuple(
        Bar(first.start_beats - (count - index) * length, length, first.meter)
        for index in range(count)
    )


@dataclass(frozen=True, slots=True)
class TempoMap:
    """Tempo over the window, and the exact way between beats and seconds.

    Parameters
    ----------
    us_per_quarter
        Microseconds a quarter note, as MIDI states tempo, over the window.
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

    def beats_at(self, seconds: Fraction | float) -> Fraction:
        """Quarter notes at a time in seconds; the exact inverse of `seconds_at`."""
        exact_s = Fraction(seconds)
        steps = self.us_per_quarter
        index = min(max(bisect_right(self._seconds, exact_s) - 1, 0), len(steps.starts) - 1)
        return (
            steps.starts[index] + (exact_s - self._seconds[index]) * 1_000_000 / steps.values[index]
        )

    def cut(self, start: Fraction, end: Fraction) -> "TempoMap":
        """Give the map between two positions, on its own time from 0."""
        return TempoMap(self.us_per_quarter.cut(start, end))

    def mirrored(self) -> "TempoMap":
        """Give the map in reverse: an accelerando becomes a ritardando."""
        return TempoMap(self.us_per_quarter.mirrored())

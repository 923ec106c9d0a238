"""The stresses of a meter, and which note values show them as a copyist would.

Conventions
-----------
Positions are quarter notes (`Fraction`) from the bar line. A *stress* is the rank of a position in
its bar: 0 the bar line, 1 the middle of a bar of four beats (or a printed group of beats), 2 a
beat, 3 and more the divisions of the beat. The rules are common practice: the middle of the bar
and the beats stay visible, the usual dotted values and syncopations stay whole, rests are stricter
than notes.
"""

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property, lru_cache
from itertools import pairwise

from retro.model.note_values import value_of
from retro.model.time import Meter, Span

BAR_LINE, MIDDLE, BEAT, DIVISION = 0, 1, 2, 3
UNRANKED = 99
"""The stress of a position that no halving of the beat reaches."""


@dataclass(frozen=True)
class Grid:
    """The stresses of one meter."""

    meter: Meter
    _stresses: dict[Fraction, int] = field(default_factory=dict, repr=False, compare=False)
    _notes: dict[Span, tuple[Span, ...]] = field(default_factory=dict, repr=False, compare=False)

    @cached_property
    def is_ternary(self) -> bool:
        """Whether the beats divide into three, or differ in length."""
        sizes = set(self.meter.groups)
        return self.meter.denominator >= 8 and (len(sizes) > 1 or 3 in sizes)

    @cached_property
    def beats(self) -> tuple[Fraction, ...]:
        """Where the beats begin, and the end of the bar."""
        unit = self.meter.unit_beats
        if self.meter.denominator < 8:
            return tuple(unit * k for k in range(self.meter.numerator + 1))
        return (*self.meter.pulses(), self.meter.length_beats)

    @cached_property
    def middles(self) -> frozenset[Fraction]:
        """Positions that stay visible like a bar line: the middle of four beats, group starts."""
        groups, beats = self.meter.groups, self.beats
        if self.meter.denominator < 8 and set(groups) != {1}:
            return frozenset(self.meter.pulses()[1:])
        count = len(beats) - 1
        is_even = len(set(groups)) == 1
        if is_even and count in (4, 8):
            return frozenset(beats[2:-1:2])
        return frozenset({beats[3]}) if is_even and count == 6 else frozenset()

    @cached_property
    def _middles_in_order(self) -> tuple[Fraction, ...]:
        return tuple(sorted(self.middles))

    def beat_around(self, at: Fraction) -> Span:
        """Return the beat that holds a position."""
        for start, end in pairwise(self.beats):
            if start <= at < end:
                return start, end
        return self.beats[-1], self.beats[-1] + self.meter.unit_beats

    def stress(self, at: Fraction) -> int:
        """Rank of a position, 0 the strongest."""
        known = self._stresses.get(at)
        if known is None:
            known = self._stresses[at] = self._find_stress(at)
        return known

    def _find_stress(self, at: Fraction) -> int:
        if at in (0, self.meter.length_beats):
            return BAR_LINE
        if at in self.middles:
            return MIDDLE
        start, end = self.beat_around(at)
        if at == start:
            return BEAT
        unit = self.meter.unit_beats if self._has_three(start, end) else (end - start) / 2
        inside = (at - start) / unit
        depth = inside.denominator
        return UNRANKED if depth & (depth - 1) else DIVISION + depth.bit_length() - 1

    def _has_three(self, start: Fraction, end: Fraction) -> bool:
        return end - start == 3 * self.meter.unit_beats

    def strongest_inside(self, start: Fraction, end: Fraction) -> tuple[int, list[Fraction]]:
        """Return the strongest stress strictly inside a span, and where it lies."""
        if start >= 0 and end <= self.meter.length_beats:
            for rank, ranked in ((MIDDLE, self._middles_in_order), (BEAT, self.beats)):
                inside = list(ranked[bisect_right(ranked, start) : bisect_left(ranked, end)])
                if inside:
                    return rank, inside
        units = max(self.meter.denominator // 4, 1)
        step = Fraction(1, math.lcm(start.denominator, end.denominator, units))
        best, places = UNRANKED + 1, []
        at = start + step
        while at < end:
            stress = self.stress(at)
            if stress < best:
                best, places = stress, [at]
            elif stress == best:
                places.append(at)
            at += step
        return best, places

    def is_usual(self, start: Fraction, end: Fraction) -> bool:
        """Whether one note head may fill a span without hiding what must be seen."""
        if value_of(end - start) is None:
            return False
        inside, _ = self.strongest_inside(start, end)
        first, last = self.stress(start), self.stress(end)
        if first <= inside:
            return self._shows_beats(inside, last)
        return self._is_syncopation(start, end, inside) or self._fills_beat(
            start, end, inside, last
        )

    def _shows_beats(self, inside: int, last: int) -> bool:
        if self.is_ternary and inside <= BEAT:
            return last <= BEAT
        is_grouped = self.meter.denominator < 8 and set(self.meter.groups) != {1}
        return last <= MIDDLE if is_grouped and inside == MIDDLE else True

    def _is_syncopation(self, start: Fraction, end: Fraction, inside: int) -> bool:
        """Short, long, short around a division: eighth, quarter, eighth in two beats."""
        middle = (start + end) / 2
        weakest = DIVISION if self.is_ternary else BEAT
        return (
            self.stress(middle) == inside >= weakest
            and self.stress(start) == inside + 1 == self.stress(end)
            and value_of(end - start) in {(end - start, 0)}
        )

    def _fills_beat(self, start: Fraction, end: Fraction, inside: int, last: int) -> bool:
        """Short, dotted in a beat or two; or the second of two dotted halves of a beat of three."""
        beat_start, beat_end = self.beat_around(start)
        if self._has_three(beat_start, beat_end) and inside == DIVISION:
            return end == beat_end and (end - start) * 2 == beat_end - beat_start
        weakest = DIVISION + 1 if self.is_ternary else BEAT
        is_at_end = last < inside and (end / (end - start) * 3 / 4).denominator == 1
        return inside >= weakest and is_at_end and self.stress(start) == inside + 1

    def spell_note(self, start: Fraction, end: Fraction) -> tuple[Span, ...]:
        """Return the fewest usual note values that fill a span, to be tied.

        Every part of a span is spelled once and kept: long bars take polynomial time.
        """
        spelled = self._notes.get((start, end))
        if spelled is None:
            spelled = self._notes[start, end] = self._fewest(start, end)
        return spelled

    def _fewest(self, start: Fraction, end: Fraction) -> tuple[Span, ...]:
        if self.is_usual(start, end):
            return ((start, end),)
        inside, places = self.strongest_inside(start, end)
        cuts = reversed(places) if self.stress(start) <= inside else places
        fewest: tuple[Span, ...] = ()
        for cut in cuts:
            pieces = (*self.spell_note(start, cut), *self.spell_note(cut, end))
            if not fewest or len(pieces) < len(fewest):
                fewest = pieces
            if len(fewest) == 2:
                return fewest
        for cut in self.beats[bisect_right(self.beats, start) : bisect_left(self.beats, end)]:
            if self.is_usual(start, cut) and self.is_usual(cut, end):
                return (start, cut), (cut, end)
        return fewest

    def spell_rest(self, start: Fraction, end: Fraction) -> tuple[Span, ...]:
        """Split a silent span into rests, none of which hides a beat."""
        inside, places = self.strongest_inside(start, end)
        if self._is_plain_rest(start, end, inside):
            return ((start, end),)
        cuts = (start, *places, end)
        return tuple(piece for a, b in pairwise(cuts) for piece in self.spell_rest(a, b))

    def _is_plain_rest(self, start: Fraction, end: Fraction, inside: int) -> bool:
        value = value_of(end - start)
        if value is None:
            return False
        first, last = self.stress(start), self.stress(end)
        beat_start, beat_end = self.beat_around(start)
        if inside == BEAT:
            return first <= MIDDLE and last <= MIDDLE and bool(self.middles)
        if inside < BEAT:
            return False
        if (start, end) == (beat_start, beat_end):
            return True
        if self._has_three(beat_start, beat_end) and inside == DIVISION:
            return start == beat_start and end - start == 2 * self.meter.unit_beats
        return value[1] == 0 and first < inside and last < inside


@lru_cache(maxsize=4096)
def grid_of(meter: Meter) -> Grid:
    """Return the stresses of a meter; every meter has one grid, which keeps what it has spelled."""
    return Grid(meter)

"""Tuplets: where a bar leaves the halves of its beats, and how that is counted.

Conventions
-----------
Positions are quarter notes (`Fraction`) from the bar line.
"""

import math
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise

from retro.model.note_values import value_of
from retro.model.time import Meter
from retro.notation.grid import Grid, grid_of

MAX_WHOLE = 7
"""Notes of a figure that is read at a glance; a larger one is counted in halves, with a tie over
the middle (common practice)."""


@dataclass(frozen=True, slots=True)
class Tuplet:
    """`actual` notes in the time of `normal`, each `unit_beats` long when it stands alone.

    `start` and `end` are the span that the whole figure fills, from the bar line.
    """

    start: Fraction
    end: Fraction
    actual: int
    normal: int
    unit_beats: Fraction

    @property
    def scale(self) -> Fraction:
        """Sounding length over written value."""
        return Fraction(self.normal, self.actual)


@lru_cache(maxsize=4096)
def find_tuplets(meter: Meter, edges: tuple[Fraction, ...]) -> tuple[Tuplet, ...]:
    """Find the tuplets of a bar from the edges of its notes and rests, in order.

    Quarter-note triplets over two beats (half-note triplets over four) are seen where both inner
    edges are there, quintuplets over as many where no edge is on another place and two are not on
    a beat's own; everything else is counted inside its beat, and inside half a beat where the
    half is an edge too, or the figure would be too large to read.
    """
    grid = grid_of(meter)
    found: list[Tuplet] = []
    if not grid.is_ternary:
        for count in (4, 2):
            for first in range(len(grid.beats) - count):
                start, end = grid.beats[first], grid.beats[first + count]
                actual = 3 if _thirds(start, end, edges) else 5
                is_figure = actual == 3 or _fifths(start, end, edges)
                if is_figure and all(t.end <= start or t.start >= end for t in found):
                    found.append(_tuplet(start, end, actual))
    last = max(grid.beats[-1], edges[-1])
    at = Fraction(0)
    while at < last:
        start, end = grid.beat_around(at)
        if all(t.end <= start or t.start >= end for t in found):
            found.extend(_tuplets_inside(grid, start, end, edges))
        at = end
    return tuple(sorted(found, key=lambda t: t.start))


def _thirds(start: Fraction, end: Fraction, edges: tuple[Fraction, ...]) -> bool:
    third = (end - start) / 3
    inside = {edge for edge in edges if start < edge < end}
    return inside == {start + third, end - third}


def _fifths(start: Fraction, end: Fraction, edges: tuple[Fraction, ...]) -> bool:
    inside = [edge for edge in edges if start < edge < end]
    return len(inside) > 1 and all(
        ((edge - start) / (end - start)) % Fraction(1, 5) == 0 for edge in inside
    )


def _is_dyadic(value: Fraction) -> bool:
    return value.denominator & (value.denominator - 1) == 0


def _tuplets_inside(
    grid: Grid, start: Fraction, end: Fraction, edges: tuple[Fraction, ...]
) -> list[Tuplet]:
    inside = [edge for edge in edges if start < edge < end]
    if all(_is_dyadic(edge) for edge in inside):
        return []
    length = end - start
    count = math.lcm(*(((edge - start) / length).denominator for edge in inside))
    is_three = value_of(length) != (length, 0)
    parts = 3 if is_three else 2
    cuts = [start + length * k / parts for k in range(parts + 1)]
    is_parted = cuts[1] in inside or count > MAX_WHOLE
    if count % parts == 0 and (is_three or is_parted):
        return [t for a, b in pairwise(cuts) for t in _tuplets_inside(grid, a, b, edges)]
    return [_tuplet(start, end, count)]


def _tuplet(start: Fraction, end: Fraction, actual: int) -> Tuplet:
    normal = 1 if value_of(end - start) == (end - start, 0) else 3
    while normal * 2 < actual:
        normal *= 2
    return Tuplet(start, end, actual, normal, (end - start) / normal)

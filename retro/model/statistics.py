"""Middles of scattered figures."""

from collections.abc import Sequence
from fractions import Fraction


def weighted_median(values: Sequence[float], weights: Sequence[int]) -> float:
    """Return the weighted median as the module's arithmetic defines it; 0 of no values."""
    pairs = sorted(zip(values, weights, strict=True))
    half = Fraction(sum(weights), 2)
    reached = 0
    for index, (value, weight) in enumerate(pairs):
        reached += weight
        if reached == half and index + 1 < len(pairs):
            return 0.5 * (value + pairs[index + 1][0])
        if reached >= half:
            return value
    return 0.0

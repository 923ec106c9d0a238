"""Pitch bend as a smooth function of seconds."""

from retro.model.levels import Clock, Curve
from retro.model.phrase import BEND_CENTRE, Part


def bend_curve(part: Part, clock: Clock) -> Curve | None:
    """Return the part's bend in semitones, or None where it bends nothing."""
    if part.bend is None or part.bend.values == (BEND_CENTRE,):
        return None
    semitones = semitones_per_bend(part)
    return Curve.of(part.bend, clock, lambda bend: bend * semitones)


def semitones_per_bend(part: Part) -> float:
    """Semitones of one unit of the part's bend."""
    return float(part.bend_range_semitones) / 8192.0

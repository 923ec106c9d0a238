"""How loud a note is meant at a place of its part: one answer for the page and for the players.

Conventions
-----------
A loudness is on the scale of MIDI velocity, 0 to 127: what the note's velocity would be if no
controller stood beside it.
"""

from dataclasses import dataclass
from fractions import Fraction

from retro.model.phrase import EXPRESSION, MODULATION, VOLUME, Part
from retro.model.time import Steps

FULL = 127.0
"""The greatest value of a controller."""


@dataclass(frozen=True, slots=True)
class PartLoudness:
    """What a part's controllers make of the velocities of its notes.

    Expression scales the velocity; volume does as far as it moves, for its own height is the mix;
    where neither is there, a moving modulation wheel stands for the loudness itself (common
    practice of sampled instruments).
    """

    scales: tuple[tuple[Steps[int], float], ...]
    wheel: Steps[int] | None

    @classmethod
    def of(cls, part: Part) -> "PartLoudness":
        """Return the loudness of a part."""
        expression, volume = part.controller(EXPRESSION), part.controller(VOLUME)
        scales: list[tuple[Steps[int], float]] = []
        if expression is not None:
            scales.append((expression, FULL))
        if volume is not None and max(volume.values) > 0:
            scales.append((volume, float(max(volume.values))))
        wheel = part.controller(MODULATION)
        stands_alone = expression is None and not is_moving(volume)
        return cls(tuple(scales), wheel if is_moving(wheel) and stands_alone else None)

    def loudness_at(self, velocity: int, at_beats: Fraction) -> float:
        """Return the loudness of a note of some velocity at a place of the part."""
        if self.wheel is not None:
            return float(self.wheel.at(at_beats))
        loudness = float(velocity)
        for steps, full in self.scales:
            loudness *= steps.at(at_beats) / full
        return loudness


def is_moving(steps: Steps[int] | None) -> bool:
    """Whether a controller is there and changes."""
    return steps is not None and len(steps.values) > 1

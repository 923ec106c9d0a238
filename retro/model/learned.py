"""Figures of one player's sampled sounds, learned from single tones.

Conventions
-----------
Seconds; pitches are sounding MIDI pitches.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median, pstdev


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class LearnedTone:
    """One tone: what was asked for, its attack and its decay.

    Parameters
    ----------
    pitch, velocity, held_s
        What was asked for.
    attack_s
        From its start to 3 dB below full.
    decay_s
        60 dB decay after it was let go; of a struck tone from its stroke on.
    """

    pitch: int
    velocity: int
    held_s: float
    attack_s: float
    decay_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedFigures:
    """What was learned of one player: its name, and at least one tone."""

    name: str
    tones: tuple[LearnedTone, ...]

    @property
    def attack_s(self) -> float:
        """Median attack."""
        return median(tone.attack_s for tone in self.tones)

    @property
    def decay_s(self) -> float:
        """Median decay."""
        return median(tone.decay_s for tone in self.tones)

    @property
    def attack_spread_s(self) -> float:
        """Standard deviation of the attacks."""
        return pstdev(tone.attack_s for tone in self.tones)

    @property
    def decay_spread_s(self) -> float:
        """Standard deviation of the decays."""
        return pstdev(tone.decay_s for tone in self.tones)

    def at(self, pitch: int, velocity: int, held_s: float) -> tuple[float, float]:
        """Return attack and decay of a tone: between the nearest that were learned, else theirs."""
        return _along(
            self.tones,
            [
                (lambda tone: tone.pitch, float(pitch)),
                (lambda tone: tone.velocity, float(velocity)),
                (lambda tone: math.log(tone.held_s), math.log(max(held_s, 1e-3))),
            ],
        )


_Axis = tuple[Callable[[LearnedTone], float], float]


def _along(tones: Sequence[LearnedTone], axes: Sequence[_Axis]) -> tuple[float, float]:
    """Return attack and decay between the tones beside a place, one axis after the other.

    Decays go by their logarithms, as they do in an instrument's table.
    """
    if not axes:
        return median(t.attack_s for t in tones), median(t.decay_s for t in tones)
    (of, at), *others = axes
    places = sorted({of(tone) for tone in tones})
    low = max((place for place in places if place <= at), default=places[0])
    high = min((place for place in places if place >= at), default=places[-1])
    below, above = (
        _along([tone for tone in tones if of(tone) == place], others) for place in (low, high)
    )
    share = (at - low) / (high - low) if high > low else 0.0
    share = min(max(share, 0.0), 1.0)
    return (
        (1.0 - share) * below[0] + share * above[0],
        math.exp((1.0 - share) * math.log(below[1]) + share * math.log(above[1])),
    )

"""Figures of one player's tones, learned from what was heard: of a sampler, or of people.

Conventions
-----------
Seconds; pitches are sounding MIDI pitches.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median, pstdev


class Performer(StrEnum):
    """Who was heard: a sampler, whose figures shape `played.mid`, or people, who play paper."""

    SAMPLER = "sampler"
    PEOPLE = "people"


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class LearnedTone:
    """One tone: what was asked for, its attack and its decay.

    Parameters
    ----------
    pitch, velocity, held_s
        What was asked for.
    attack_s
        From its start to 3 dB below full, or None where it could not be learned.
    decay_s
        60 dB decay after it was let go, of a struck tone from its stroke on; or None likewise.
    """

    pitch: int
    velocity: int
    held_s: float
    attack_s: float | None
    decay_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedFigures:
    """What was learned of one player: its name, who was heard, and at least one tone.

    Of all its tones together at least an attack or a decay is known.
    """

    name: str
    tones: tuple[LearnedTone, ...]
    performer: Performer = Performer.SAMPLER

    @property
    def attacks_s(self) -> tuple[float, ...]:
        """Attacks of the tones of which they are known."""
        return tuple(tone.attack_s for tone in self.tones if tone.attack_s is not None)

    @property
    def decays_s(self) -> tuple[float, ...]:
        """Decays of the tones of which they are known."""
        return tuple(tone.decay_s for tone in self.tones if tone.decay_s is not None)

    @property
    def attack_s(self) -> float:
        """Median attack; some are known."""
        return median(self.attacks_s)

    @property
    def decay_s(self) -> float:
        """Median decay; some are known."""
        return median(self.decays_s)

    @property
    def attack_spread_s(self) -> float:
        """Standard deviation of the attacks; some are known."""
        return pstdev(self.attacks_s)

    @property
    def decay_spread_s(self) -> float:
        """Standard deviation of the decays; some are known."""
        return pstdev(self.decays_s)

    def at(
        self, pitch: int, velocity: int, held_s: float = 1.0
    ) -> tuple[float | None, float | None]:
        """Return attack and decay of a tone: between the nearest that were learned, else theirs.

        Decays go by their logarithms, as they do in an instrument's table. What was learned of no
        tone is None.
        """
        axes: list[_Axis] = [
            (lambda tone: tone.pitch, float(pitch)),
            (lambda tone: tone.velocity, float(velocity)),
            (lambda tone: math.log(tone.held_s), math.log(max(held_s, 1e-3))),
        ]
        attacks = [(tone, tone.attack_s) for tone in self.tones if tone.attack_s is not None]
        decays = [(tone, math.log(tone.decay_s)) for tone in self.tones if tone.decay_s is not None]
        return (
            _along(attacks, axes) if attacks else None,
            math.exp(_along(decays, axes)) if decays else None,
        )


_Axis = tuple[Callable[[LearnedTone], float], float]


def _along(tones: Sequence[tuple[LearnedTone, float]], axes: Sequence[_Axis]) -> float:
    """Return the figure between the tones beside a place, one axis after the other."""
    if not axes:
        return median(figure for _, figure in tones)
    (of, at), *others = axes
    places = sorted({of(tone) for tone, _ in tones})
    low = max((place for place in places if place <= at), default=places[0])
    high = min((place for place in places if place >= at), default=places[-1])
    below, above = (
        _along([each for each in tones if of(each[0]) == place], others) for place in (low, high)
    )
    share = (at - low) / (high - low) if high > low else 0.0
    share = min(max(share, 0.0), 1.0)
    return (1.0 - share) * below + share * above

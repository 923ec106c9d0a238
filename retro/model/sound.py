"""How a tone and its room fall silent, in energy: the law that everything else reads.

Conventions
-----------
Times are seconds and may be arrays (any shape that broadcasts); energies are ratios to the full
level of the tone with its room. ``10 ** (-6 t / T)`` falls by 60 dB in ``T`` seconds. Arrays in
single precision give energies in single precision.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated

import numpy as np
import numpy.typing as npt
from msgspec import Meta

from retro.model.bounded import Positive
from retro.units import db_to_energy

FloatArray = npt.NDArray[np.float64]

BISECTIONS = 60
"""Halvings of the bracket: below a nanosecond for any decay that a hall can have."""

NEPERS_60_DB = -6.0 * math.log(10.0)
"""A fall by 60 dB in energy, as an exponent of e."""


@dataclass(frozen=True, slots=True)
class Room:
    """The room, as far as a microphone in it goes.

    Parameters
    ----------
    reverberation_s
        Reverberation time: seconds to fall by 60 dB (ISO 3382-1).
    direct_to_reverberant_db
        Ratio of direct to reverberant energy at the microphone, in decibels.
    """

    reverberation_s: Positive
    direct_to_reverberant_db: Annotated[float, Meta(ge=-200, le=200)]

    @property
    def share(self) -> float:
        """Energy of the room for a direct energy of 1."""
        return db_to_energy(-self.direct_to_reverberant_db)


def _decayed(t_s: npt.ArrayLike, decay_s: npt.ArrayLike) -> FloatArray:
    return np.asarray(np.exp(NEPERS_60_DB * (np.asarray(t_s) / np.asarray(decay_s))))


def energy_after_release(t_s: npt.ArrayLike, decay_s: npt.ArrayLike, room: Room) -> FloatArray:
    """Energy `t_s` seconds after a sustained tone is let go; 1 at 0.

    The instrument rings for its own `decay_s`, the room for its reverberation time.
    """
    direct = _decayed(t_s, decay_s)
    reverberant = _decayed(t_s, room.reverberation_s)
    return np.asarray((direct + room.share * reverberant) / (1.0 + room.share))


def energy_after_stroke(
    t_s: npt.ArrayLike,
    decay_s: npt.ArrayLike,
    damped_at_s: npt.ArrayLike,
    damper_s: npt.ArrayLike,
    room: Room,
) -> FloatArray:
    """Energy `t_s` seconds after a struck tone has spoken; 1 at 0.

    The tone decays from its stroke on and by `damper_s` from `damped_at_s` on (``inf``: never).
    While the string decays more slowly than the room, the room follows the string.
    """
    t, decay, damper = np.asarray(t_s), np.asarray(decay_s), np.asarray(damper_s)
    free_s = np.minimum(t, damped_at_s)
    stopped_s = t - free_s
    following_s = np.maximum(decay_s, room.reverberation_s)
    stopped_following_s = np.maximum(damper_s, room.reverberation_s)
    direct = _decayed(free_s / decay + stopped_s / damper, 1.0)
    reverberant = _decayed(free_s / following_s + stopped_s / stopped_following_s, 1.0)
    return np.asarray((direct + room.share * reverberant) / (1.0 + room.share))


def fall_s(drop_db: float, decay_s: npt.ArrayLike, room: Room) -> FloatArray:
    """Seconds from the release of a sustained tone until it is `drop_db` below full level."""
    longest_s = drop_db / 60.0 * np.maximum(decay_s, room.reverberation_s)
    return _when(lambda t: energy_after_release(t, decay_s, room), drop_db, longest_s)


def stroke_fall_s(
    drop_db: float,
    decay_s: npt.ArrayLike,
    damped_at_s: npt.ArrayLike,
    damper_s: npt.ArrayLike,
    room: Room,
) -> FloatArray:
    """Seconds from the speaking of a struck tone until it is `drop_db` below full level."""
    slowest_s = np.maximum(np.maximum(decay_s, damper_s), room.reverberation_s)
    longest_s = np.broadcast_to(
        drop_db / 60.0 * slowest_s, np.broadcast(slowest_s, damped_at_s).shape
    )
    return _when(
        lambda t: energy_after_stroke(t, decay_s, damped_at_s, damper_s, room), drop_db, longest_s
    )


def damp_s(
    drop_db: float,
    after_s: npt.ArrayLike,
    decay_s: npt.ArrayLike,
    damper_s: npt.ArrayLike,
    room: Room,
) -> FloatArray:
    """When to damp a struck tone so that it is `drop_db` down `after_s` seconds after speaking.

    Gives `after_s` where the tone has fallen that far by itself, and 0 where even damping it at
    once leaves it louder.
    """
    wanted_s = np.asarray(after_s, float)
    low, high = np.zeros_like(wanted_s), wanted_s.copy()
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        energy = energy_after_stroke(wanted_s, decay_s, middle, damper_s, room)
        early_enough = energy <= db_to_energy(-drop_db)
        low, high = np.where(early_enough, middle, low), np.where(early_enough, high, middle)
    return np.asarray(low)


def _when(
    energy: Callable[[FloatArray], FloatArray], drop_db: float, longest_s: FloatArray
) -> FloatArray:
    """Bisect for the time at which a falling energy is `drop_db` down."""
    target = db_to_energy(-drop_db)
    low, high = np.zeros_like(longest_s, dtype=float), np.array(longest_s, dtype=float)
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        louder = energy(middle) > target
        low, high = np.where(louder, middle, low), np.where(louder, high, middle)
    return np.asarray(0.5 * (low + high))

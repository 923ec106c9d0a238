"""How a tone and its room rise and fall silent, in energy: the law that everything else reads.

Conventions
-----------
Times are seconds and may be arrays (any shape that broadcasts); energies are ratios to the full
level of a tone that has been held until its room is full. ``10 ** (-6 t / T)`` falls by 60 dB in
``T`` seconds. Arrays in single precision give energies in single precision.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated

import numpy as np
import numpy.typing as npt
from msgspec import Meta

from retro.model.bounded import Positive
from retro.units import db_to_amplitude, db_to_energy

FloatArray = npt.NDArray[np.float64]

BISECTIONS = 60
"""Halvings of the bracket: below a nanosecond for any decay that a hall can have."""

NEPERS_60_DB = -6.0 * math.log(10.0)
"""A fall by 60 dB in energy, as an exponent of e."""

ATTACK_DB = 10.0 * math.log10(2.0)
"""How far below full a tone is when its attack is over: half its power, 3 dB, as attacks are
tabulated (from memory: Luce & Clark 1965)."""

MIN_ATTACK_S = 1e-6
"""A shorter attack counts as none."""

MIN_APART = 1e-6
"""Difference of two decay rates below which they count as one."""


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


def _time_constants(drop_db: float) -> float:
    """Return how many time constants an exponential rise takes to `drop_db` below full."""
    return -math.log1p(-db_to_amplitude(-drop_db))


def rise_s(drop_db: float, attack_s: npt.ArrayLike) -> FloatArray:
    """Return the seconds from the start of a tone until it is `drop_db` below its own full level.

    The amplitude rises as ``1 - exp(-t / tau)`` and is `ATTACK_DB` below full after `attack_s`. A
    room that fills later than the tone rises is left out; `retro.model.tones` counts it.
    """
    share = _time_constants(drop_db) / _time_constants(ATTACK_DB)
    return np.asarray(share * np.asarray(attack_s, dtype=float))


def risen(t_s: npt.ArrayLike, attack_s: npt.ArrayLike) -> FloatArray:
    """Return the energy of the sound alone, `t_s` seconds after a tone's start; 1 when full."""
    tau_s = np.maximum(attack_s, MIN_ATTACK_S) / _time_constants(ATTACK_DB)
    amplitude = -np.expm1(-np.maximum(t_s, 0.0) / tau_s)
    return np.asarray(amplitude * amplitude)


def built_up(t_s: npt.ArrayLike, room: Room) -> FloatArray:
    """Return how full a room is, `t_s` seconds after a sustained tone's start; 1 when full."""
    return np.asarray(1.0 - _decayed(np.maximum(t_s, 0.0), room.reverberation_s))


def energy_while_held(t_s: npt.ArrayLike, attack_s: npt.ArrayLike, room: Room) -> FloatArray:
    """Return the energy of a sustained tone, `t_s` seconds after its start."""
    full = 1.0 + room.share * built_up(t_s, room)
    return np.asarray(risen(t_s, attack_s) * full / (1.0 + room.share))


def _decayed(t_s: npt.ArrayLike, decay_s: npt.ArrayLike) -> FloatArray:
    return np.asarray(np.exp(NEPERS_60_DB * (np.asarray(t_s) / np.asarray(decay_s))))


def energy_after_release(
    t_s: npt.ArrayLike, decay_s: npt.ArrayLike, room: Room, filled: npt.ArrayLike = 1.0
) -> FloatArray:
    """Return the energy `t_s` seconds after a sustained tone is let go; 1 at 0.

    The instrument rings for its own `decay_s`, the room for its reverberation time. `filled` is
    how full the room had become (`built_up`).
    """
    share = room.share * np.asarray(filled)
    direct = _decayed(t_s, decay_s)
    reverberant = _decayed(t_s, room.reverberation_s)
    return np.asarray((direct + share * reverberant) / (1.0 + share))


def energy_after_stroke(
    t_s: npt.ArrayLike,
    decay_s: npt.ArrayLike,
    damped_at_s: npt.ArrayLike,
    damper_s: npt.ArrayLike,
    room: Room,
) -> FloatArray:
    """Return the energy `t_s` seconds after a tone is struck, its rise left out.

    The tone decays from its stroke on and by `damper_s` from `damped_at_s` on (``inf``: never).
    The room gets what the tone gives off, and loses it by its own reverberation time.
    """
    t, decay, damper = np.asarray(t_s), np.asarray(decay_s), np.asarray(damper_s)
    free_s = np.minimum(t, damped_at_s)
    stopped_s = t - free_s
    left = _decayed(free_s, decay)
    direct = left * _decayed(stopped_s, damper)
    kept = _given_to_room(free_s, decay, room) * _decayed(stopped_s, room.reverberation_s)
    reverberant = kept + left * _given_to_room(stopped_s, damper, room)
    return np.asarray((direct + room.share * reverberant) / (1.0 + room.share))


def _given_to_room(t_s: npt.ArrayLike, decay_s: npt.ArrayLike, room: Room) -> FloatArray:
    """Return the energy of a room after `t_s` seconds of a decaying sound; 1 for a steady one.

    The decay of the sound convolved with that of the room, where each loses its energy at its own
    rate.
    """
    sound = -NEPERS_60_DB / np.asarray(decay_s)
    own = -NEPERS_60_DB / room.reverberation_s
    apart = np.maximum(np.abs(own - sound), MIN_APART)
    slower = np.minimum(own, sound)
    return np.asarray(own * np.exp(-slower * t_s) * -np.expm1(-apart * t_s) / apart)


def fall_s(drop_db: float, decay_s: npt.ArrayLike, room: Room) -> FloatArray:
    """Return the seconds from the release of a tone in its full room until it is `drop_db` down."""
    longest_s = drop_db / 60.0 * np.maximum(decay_s, room.reverberation_s)
    return _when(lambda t: energy_after_release(t, decay_s, room), drop_db, longest_s)


def stroke_fall_s(
    drop_db: float,
    decay_s: npt.ArrayLike,
    damped_at_s: npt.ArrayLike,
    damper_s: npt.ArrayLike,
    room: Room,
) -> FloatArray:
    """Return the seconds from a stroke until its tone is `drop_db` below full level for good."""
    slowest_s = np.maximum(np.maximum(decay_s, damper_s), room.reverberation_s)
    # The room can hold up to e times what a tone of its own decay gives it.
    longest_s = np.broadcast_to(
        (drop_db / 60.0 + 1.0) * slowest_s, np.broadcast(slowest_s, damped_at_s).shape
    )
    return _when(
        lambda t: energy_after_stroke(t, decay_s, damped_at_s, damper_s, room), drop_db, longest_s
    )


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

"""How long a swell lasts by nature: the fall of a tone in its room, turned round.

Source: the sound law of `retro.model.sound`.
"""

import numpy as np

from retro.model.instruments import Player, Sound
from retro.model.sound import Room, fall_s, stroke_fall_s

MIN_REVERBERATION_S, MAX_REVERBERATION_S = 0.05, 20.0
"""Reverberation times between which an answer is looked for."""

_HALVINGS = 50


def natural_swell_s(player: Player, pitch: int, room: Room, drop_db: float) -> float:
    """Return the seconds in which a flipped tone swells from `drop_db` below full level to it.

    A struck tone is left to ring.
    """
    decay_s = player.decay_s(pitch)
    if player.instrument.sound is Sound.STRUCK:
        return float(stroke_fall_s(drop_db, decay_s, np.inf, 1.0, room))
    return float(fall_s(drop_db, decay_s, room))


def reverberation_for_s(
    swell_s: float, player: Player, pitch: int, room: Room, drop_db: float
) -> float | None:
    """Return the reverberation time in which a flipped tone swells for `swell_s` by nature.

    None where no room from `MIN_REVERBERATION_S` to `MAX_REVERBERATION_S` does it: the instrument
    rings longer by itself, or the room's share is too small for its tail to reach so far.
    """

    def swell_in(reverberation_s: float) -> float:
        other = Room(reverberation_s, room.direct_to_reverberant_db)
        return natural_swell_s(player, pitch, other, drop_db)

    low, high = MIN_REVERBERATION_S, MAX_REVERBERATION_S
    if not swell_in(low) <= swell_s <= swell_in(high):
        return None
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if swell_in(middle) < swell_s else (low, middle)
    return 0.5 * (low + high)

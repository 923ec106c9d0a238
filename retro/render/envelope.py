"""The loudness of a tone over time: a rise, a level or a stroke, and the fall of its room.

The law is `retro.model.sound`; here it becomes the amplitude of one tone at any instant.

Conventions
-----------
Times are seconds on one timeline (insert time for what is played, window time for the target);
amplitudes are ratios to the tone's full level.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from retro.model.sound import FloatArray
from retro.units import db_to_amplitude

RISE_S = 0.006
"""Length of the rise of a sustained tone; it is full 4 ms after it speaks."""

STROKE_RISE_S = 0.004
"""Length of the rise of a struck tone; shorter ones make any measured envelope ring."""

FOOT_DB = -40.0
"""Level of the noise of the attack just before a tone speaks (our own choice: as good as
inaudible beside the tone)."""

FADE_S = 0.02
"""Length of the fade with which a tone ends once it is 60 dB down."""

END_DB = 60.0
"""How far down a tone counts as silent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """Amplitude of one tone over time.

    Parameters
    ----------
    start_s
        Where the player begins.
    rise_from_s, rise_s
        Where the tone itself begins to rise, and how long it takes.
    falls_from_s
        From where `energy` holds.
    energy
        Energy by the time since `falls_from_s`, 1 at 0.
    silent_s
        Where the tone is `END_DB` down.
    """

    start_s: float
    rise_from_s: float
    rise_s: float
    falls_from_s: float
    energy: Callable[[FloatArray], FloatArray]
    silent_s: float

    @property
    def begin_s(self) -> float:
        """Before this there is nothing."""
        return min(self.start_s, self.rise_from_s)

    @property
    def end_s(self) -> float:
        """After this there is nothing."""
        return self.silent_s + FADE_S

    def energy_at(self, t_s: FloatArray) -> FloatArray:
        """Energy by the law alone, 1 until the tone falls."""
        return self.energy(np.maximum(t_s - self.falls_from_s, 0.0))

    def at(self, t_s: FloatArray) -> FloatArray:
        """Amplitude at some instants, any shape."""
        risen = np.clip((t_s - self.rise_from_s) / self.rise_s, 0.0, 1.0)
        foot_s = max(self.rise_from_s + self.rise_s - self.start_s, self.rise_s)
        foot = np.clip((t_s - self.start_s) / foot_s, 0.0, 1.0) ** 2
        rise = np.maximum(np.sin(0.5 * np.pi * risen) ** 2, db_to_amplitude(FOOT_DB) * foot)
        fade = np.clip((self.end_s - t_s) / FADE_S, 0.0, 1.0)
        return np.asarray(rise * np.sqrt(self.energy_at(t_s)) * fade)


def sustained(
    *,
    start_s: float,
    speaks_s: float,
    stop_s: float,
    onset_db: float,
    energy: Callable[[FloatArray], FloatArray],
    fall_s: float,
) -> Envelope:
    """Give a tone that is held until `stop_s`; it is `onset_db` below full just at `speaks_s`.

    `fall_s` is how long it takes to be `END_DB` down.
    """
    crossing = 2.0 / np.pi * np.arcsin(np.sqrt(db_to_amplitude(-onset_db)))
    let_go_s = max(stop_s, speaks_s)
    return Envelope(
        start_s=start_s,
        rise_from_s=speaks_s - float(crossing) * RISE_S,
        rise_s=RISE_S,
        falls_from_s=let_go_s,
        energy=energy,
        silent_s=let_go_s + fall_s,
    )


def struck(
    *,
    start_s: float,
    speaks_s: float,
    energy: Callable[[FloatArray], FloatArray],
    fall_s: float,
) -> Envelope:
    """Give a tone that is full at `speaks_s` and decays from there on."""
    return Envelope(
        start_s=start_s,
        rise_from_s=speaks_s - STROKE_RISE_S,
        rise_s=STROKE_RISE_S,
        falls_from_s=speaks_s,
        energy=energy,
        silent_s=speaks_s + fall_s,
    )

"""Where a group that stands alone is heard, such as the phrase's first: in the whole sound.

The windows are so short that nothing has to be put right. How far the reading may be off is how far
the crossing moves when the threshold moves by what the noise does to it.
"""

from dataclasses import replace

import numpy as np

from retro.measuring.groups import LEVEL_S, MIN_LEVEL_S, NEAR_S, TOGETHER_S, HeardGroup
from retro.measuring.listen import Sounding
from retro.model.sound import FloatArray
from retro.units import db_to_energy, seconds_to_samples

WINDOW_S, HOP_S, BEFORE_S = 0.008, 0.001, 0.30
BACKGROUND_S, MAX_BACKGROUND = (-0.28, -0.16), 0.03
"""Where a group that stands alone is compared with before, and how much may sound there: so early
that none of its players has begun, though they differ and the first reading is late."""

CLEAR_OF_NEXT_S = 0.02
"""How long before the next attack its level is looked for."""

ERROR_S = 0.002
"""Deviation of such a reading where nothing moves it: two of its steps."""


def short_energy(sounding: Sounding, start_s: float, length_s: float) -> FloatArray:
    """Return the energy of the whole sound through windows of `WINDOW_S`, every `HOP_S`.

    What stands still in it, as converters leave it, is no sound.

    Parameters
    ----------
    start_s, length_s
        Where the middle of the first window lies, and how long they go on.
    """
    rate = sounding.rate
    size, hop = seconds_to_samples(WINDOW_S, rate), seconds_to_samples(HOP_S, rate)
    window = np.hanning(size) / np.hanning(size).sum()
    sound = sounding.span(start_s - 0.5 * WINDOW_S, seconds_to_samples(length_s, rate) + size)
    sound = sound - sound.mean()
    frames = np.lib.stride_tricks.sliding_window_view(sound**2, size)[::hop]
    return np.asarray(frames @ window)


def alone(
    sounding: Sounding, heard: HeardGroup, at_s: FloatArray, onset_db: float
) -> HeardGroup | None:
    """Return a group as it is read in the whole sound; None where it does not stand alone.

    Parameters
    ----------
    at_s
        Where the plan expects groups.
    onset_db
        How far below its level a group is heard to begin.
    """
    apart_s = at_s[at_s != heard.group.at_s] - heard.group.at_s
    until_s = float(np.min(apart_s[apart_s > -TOGETHER_S] - CLEAR_OF_NEXT_S, initial=LEVEL_S))
    if until_s < MIN_LEVEL_S:
        return None
    first_s = heard.group.at_s + heard.late_s - BEFORE_S
    energy = short_energy(sounding, first_s, until_s + BEFORE_S)
    times_s = (
        np.arange(len(energy)) * (seconds_to_samples(HOP_S, sounding.rate) / sounding.rate)
        - BEFORE_S
    )
    is_before = (times_s > BACKGROUND_S[0]) & (times_s < BACKGROUND_S[1])
    before = float(energy[is_before].mean())
    level = float(energy[~is_before].max()) - before
    if before > MAX_BACKGROUND * level:
        return None
    threshold = level * db_to_energy(-onset_db)
    blur = _blur(energy[is_before], threshold, level)
    energy[times_s <= -NEAR_S] = 0.0
    first_s, move_s, last_s = (
        float(times_s[np.argmax(energy - before >= threshold * share)])
        for share in (1.0 - 2.0 * blur, 1.0, 1.0 + 2.0 * blur)
    )
    if not abs(move_s) < NEAR_S:
        return None
    open_s = 0.5 * max(move_s - first_s, last_s - move_s)
    return replace(heard, late_s=heard.late_s + move_s, error_s=max(ERROR_S, open_s), is_alone=True)


def _blur(noise: FloatArray, threshold: float, level: float) -> float:
    """Return by what share noise moves a threshold under a level (one deviation).

    Energy S in a noise of mean energy b, which is itself restless by d, is restless by
    d sqrt(2 S / b): the product of the two waves is as long as the geometric mean of their energies
    and has no sign. Players who are apart creep up to the threshold in waves, so that a wave may
    pass it by less than this and the crossing lies at the one before or behind.
    """
    before = float(noise.mean())
    if before <= 0.0:
        return 0.0
    return float(noise.std() * np.sqrt(2.0 * (1.0 / threshold + 1.0 / level) / before))

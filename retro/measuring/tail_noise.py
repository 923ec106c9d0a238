"""Noises in the tail after the last release: coughs, chairs, talk, each with its time.

A tail falls steadily. Its level is followed in octave bands, and every moment is held against the
line between what is heard shortly before and shortly after it. A noise stands above that line in
most bands at once; the beats of a ringing chord do so in one or two.

Conventions
-----------
Times are insert time in seconds.
"""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from retro.measuring.listen import Sounding
from retro.measuring.noise import HOP_S, WINDOW_S, Noise, band_energies, stretches
from retro.model.sound import FloatArray

BANDS_HZ = (150.0, 300.0, 600.0, 1_200.0, 2_400.0, 4_800.0, 9_600.0)
"""Edges of the octaves that are listened to."""

NEAR_S, AWAY_S = 0.16, 0.42
"""What a moment is held against: what is heard so far before and after it."""

SPOILED_S = 2.0 * AWAY_S
"""So far from a noise nothing softer can be told from what it leaves in the line."""

SETTLED_S = 0.3
"""How long after the last release the tail falls steadily."""

MIN_AFTER_FRAMES = 3
"""What is heard after a moment at least; close to the end of a file it is less than `AWAY_S`."""

MIN_OVER_DB = 5.0
MIN_LENGTH_S = 0.08
MAX_TAIL_S = 30.0
"""Most that is listened to: no room rings for longer."""

FLOOR = 1e-15
"""Energy below which nothing is heard: less than a step of 24 bits."""


def tail_noises(
    sounding: Sounding, release_s: float, *, until_s: float = np.inf
) -> tuple[Noise, ...]:
    """Return what stands above the tail, in order of time.

    Parameters
    ----------
    release_s
        Insert time of the last release, as it is heard.
    until_s
        Where the tail ends at the latest: the next note.
    """
    start_s = release_s + SETTLED_S - AWAY_S
    end_s = min(sounding.end_s, release_s + MAX_TAIL_S, until_s)
    frames = int((end_s - start_s) / HOP_S) - int(WINDOW_S / HOP_S)
    if frames <= round((AWAY_S + NEAR_S) / HOP_S) + MIN_AFTER_FRAMES:
        return ()
    energy = band_energies(sounding, start_s, frames, BANDS_HZ)
    levels = 10.0 * np.log10(energy + FLOOR)
    over = np.median(levels - _expected(levels), axis=1)
    noises = [
        Noise(
            at_s=start_s + first * HOP_S + WINDOW_S / 2.0,
            end_s=start_s + last * HOP_S + WINDOW_S / 2.0,
            over_db=float(over[first:last].max()),
        )
        for first, last in stretches(over >= MIN_OVER_DB)
        if (last - first) * HOP_S >= MIN_LENGTH_S
    ]
    return tuple(
        noise
        for noise in noises
        if not any(_hides(other, noise) for other in noises if other is not noise)
    )


def _hides(louder: Noise, softer: Noise) -> bool:
    """Return whether one noise spoils what another is held against."""
    apart_s = max(louder.at_s - softer.end_s, softer.at_s - louder.end_s)
    return louder.over_db > softer.over_db and apart_s < SPOILED_S


def _expected(levels: FloatArray) -> FloatArray:
    """Return what a tail has at every moment by what is heard before and after it.

    That is the line between the two, or less where the fall of what came before leads further down:
    a tail that has reached the noise of the room lies below the line.
    """
    near, away = round(NEAR_S / HOP_S), round(AWAY_S / HOP_S)
    size = away - near
    expected = np.full_like(levels, np.inf)
    middles = np.median(sliding_window_view(levels, size, axis=0), axis=-1)
    first_short = len(levels) - size + 1
    short = [
        np.median(levels[first:], axis=0)
        for first in range(first_short, len(levels) - MIN_AFTER_FRAMES + 1)
    ]
    after = np.concatenate([middles, short])[away + near :]
    count = len(after)
    before = middles[:count]
    earlier = np.concatenate([middles[:1].repeat(min(size, count), axis=0), before[:-size]])
    led = before - (earlier - before) * (away + near) / (2.0 * size)
    expected[away : away + count] = np.minimum((before + after) / 2.0, np.maximum(after, led))
    return expected

"""Noises in the tail after the last release: coughs, chairs, talk, each with its time.

A tail falls steadily. Its level is followed in octave bands, and every moment is held against the
line between what is heard shortly before and shortly after it. A noise stands above that line in
most bands at once; the beats of a ringing chord do so in one or two.

Conventions
-----------
Times are insert time in seconds.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from retro.measuring.listen import Sounding
from retro.model.sound import FloatArray
from retro.units import seconds_to_samples

HOP_S, WINDOW_S = 0.02, 0.08
BANDS_HZ = (150.0, 300.0, 600.0, 1_200.0, 2_400.0, 4_800.0, 9_600.0)
"""Edges of the octaves that are listened to."""

NEAR_S, AWAY_S = 0.16, 0.42
"""What a moment is held against: what is heard so far before and after it."""

SPOILED_S = 2.0 * AWAY_S
"""So far from a noise nothing softer can be told from what it leaves in the line."""

SETTLED_S = 0.3
"""How long after the last release the tail falls steadily."""

MIN_OVER_DB = 5.0
MIN_LENGTH_S = 0.08
MAX_TAIL_S = 30.0
"""Most that is listened to: no room rings for longer."""

FLOOR = 1e-15
"""Energy below which nothing is heard: less than a step of 24 bits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TailNoise:
    """Something that is heard above the tail.

    Parameters
    ----------
    at_s, end_s
        From when to when.
    over_db
        How far above the tail it stands at most, in the middle of all bands.
    """

    at_s: float
    end_s: float
    over_db: float


def tail_noises(sounding: Sounding, release_s: float) -> tuple[TailNoise, ...]:
    """Return what stands above the tail, in order of time.

    Parameters
    ----------
    release_s
        Insert time of the last release, as it is heard.
    """
    start_s = release_s + SETTLED_S - AWAY_S
    end_s = min(sounding.end_s, release_s + MAX_TAIL_S)
    frames = int((end_s - start_s) / HOP_S) - int(WINDOW_S / HOP_S)
    away = round(AWAY_S / HOP_S)
    if frames <= 2 * away:
        return ()
    levels = _levels_db(sounding, start_s, frames)
    over = np.median(levels - _expected(levels), axis=1)
    over[:away], over[-away:] = 0.0, 0.0
    noises = [
        TailNoise(
            at_s=start_s + first * HOP_S + WINDOW_S / 2.0,
            end_s=start_s + last * HOP_S + WINDOW_S / 2.0,
            over_db=float(over[first:last].max()),
        )
        for first, last in _stretches(over >= MIN_OVER_DB)
        if (last - first) * HOP_S >= MIN_LENGTH_S
    ]
    return tuple(
        noise
        for noise in noises
        if not any(_hides(other, noise) for other in noises if other is not noise)
    )


def _hides(louder: TailNoise, softer: TailNoise) -> bool:
    """Return whether one noise spoils what another is held against."""
    apart_s = max(louder.at_s - softer.end_s, softer.at_s - louder.end_s)
    return louder.over_db > softer.over_db and apart_s < SPOILED_S


def _levels_db(sounding: Sounding, start_s: float, frames: int) -> FloatArray:
    """Return the level of every octave, shape (frames, octaves)."""
    rate = sounding.rate
    hop, size = seconds_to_samples(HOP_S, rate), seconds_to_samples(WINDOW_S, rate)
    hz = np.fft.rfftfreq(size, 1.0 / rate)
    edges = [edge for edge in BANDS_HZ if edge < rate / 2.0]
    bands = np.array([(hz >= low) & (hz < high) for low, high in pairwise(edges)]).T.astype(float)
    window = np.hanning(size)
    heard = sounding.span(start_s, frames * hop + size)
    spectrum = np.fft.rfft(sliding_window_view(heard, size)[: frames * hop : hop] * window)
    energy = (spectrum.real**2 + spectrum.imag**2) @ bands / size**2
    return np.asarray(10.0 * np.log10(energy + FLOOR))


def _expected(levels: FloatArray) -> FloatArray:
    """Return what a tail has at every moment by what is heard before and after it.

    That is the line between the two, or less where the fall of what came before leads further down:
    a tail that has reached the noise of the room lies below the line.
    """
    near, away = round(NEAR_S / HOP_S), round(AWAY_S / HOP_S)
    size = away - near
    expected = np.full_like(levels, np.inf)
    middles = np.median(sliding_window_view(levels, size, axis=0), axis=-1)
    count = len(levels) - 2 * away
    before, after = middles[:count], middles[away + near : away + near + count]
    earlier = np.concatenate([middles[:1].repeat(min(size, count), axis=0), before[:-size]])
    led = before - (earlier - before) * (away + near) / (2.0 * size)
    expected[away : away + count] = np.minimum((before + after) / 2.0, np.maximum(after, led))
    return expected


def _stretches(is_over: np.ndarray) -> list[tuple[int, int]]:
    """Return where something holds, half open."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], is_over, [False]]).astype(int)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))

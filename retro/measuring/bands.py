"""How loud a take is in semitone bands over time, and where it rises there.

The take is brought down to `RATE` first, which is enough for the partials of the highest tones and
makes the transforms small.

Conventions
-----------
Arrays have shape (frames, bands): a frame every `HOP_S`, a band for every semitone from `MIN_BAND`
to `MAX_BAND`.
"""

from functools import cache

import numpy as np
import soxr

from retro.measuring.listen import Sounding
from retro.model.sound import FloatArray
from retro.units import NEVER_DB, nearest, pitch_to_hz, seconds_to_samples

MIN_BAND, MAX_BAND = 28, 108
"""Semitone bands that are listened to, MIDI pitches."""

RATE = 12_000
HOP_S, HOP_SAMPLES, WINDOW_SAMPLES = 0.010, 120, 1024
PARTIALS = 6
RISE_FRAMES = 3
BLOCK_FRAMES = 512
MARGIN_S = 0.1
"""What is read more on both sides, so that no edge rings into a frame."""

MAX_FROM_ONE = 3.0
"""Most that one rise counts, in deviations: many have to agree."""


def band_levels(sounding: Sounding, start_s: float, end_s: float) -> FloatArray:
    """Return the log of the energy in semitone bands, frames from `start_s` to `end_s`."""
    count = seconds_to_samples((end_s - start_s) / HOP_S, 1)
    bands = _bands()
    window = np.hanning(WINDOW_SAMPLES)
    energy = np.empty((count, bands.shape[1]))
    before = nearest(MARGIN_S * RATE) - WINDOW_SAMPLES // 2
    for first in range(0, count, BLOCK_FRAMES):
        many = min(BLOCK_FRAMES, count - first)
        length_s = many * HOP_S + 2.0 * MARGIN_S
        heard = sounding.span(
            start_s + first * HOP_S - MARGIN_S, seconds_to_samples(length_s, sounding.rate)
        )
        slow = soxr.resample(heard, sounding.rate, RATE)
        slow = np.pad(slow, (0, WINDOW_SAMPLES))
        frames = np.lib.stride_tricks.sliding_window_view(slow, WINDOW_SAMPLES)[before:]
        spectrum = np.fft.rfft(frames[: many * HOP_SAMPLES : HOP_SAMPLES] * window)
        energy[first : first + many] = (spectrum.real**2 + spectrum.imag**2) @ bands
    energy += 0.3 * np.median(energy, axis=0) + 1e-12 * energy.max() + 10 ** (NEVER_DB / 10)
    return np.log(energy, out=energy)


def rises(levels: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the rises of each band, and that of the whole, each with mean 0 and deviation 1.

    A band's rise is what it rises more than most bands do: clicks and bumps rise everywhere at
    once. The whole has shape (frames,).
    """
    rise = np.zeros_like(levels)
    rise[RISE_FRAMES:-RISE_FRAMES] = levels[2 * RISE_FRAMES :] - levels[: -2 * RISE_FRAMES]
    whole = np.maximum(rise, 0.0).mean(axis=1)
    rise -= np.median(rise, axis=1, keepdims=True)
    np.maximum(rise, 0.0, out=rise)
    return _standard(rise), _standard(whole)


def standing(levels: FloatArray) -> FloatArray:
    """Return how much louder each band is than most bands, with mean 0 and deviation 1."""
    return _standard(levels - np.median(levels, axis=1, keepdims=True))


def by_pitch(banded: FloatArray, pitches: np.ndarray) -> FloatArray:
    """Return what the bands at the partials of pitches say in the mean, shape (pitches, frames)."""
    partials = nearest_semitones(PARTIALS)
    heard = np.zeros((len(pitches), len(banded)))
    for row, pitch in zip(heard, pitches, strict=True):
        bands = np.unique(pitch - MIN_BAND + partials)
        bands = bands[(bands >= 0) & (bands < banded.shape[1])]
        if len(bands):
            row[:] = banded[:, bands].mean(axis=1)
    return heard


def nearest_semitones(partials: int) -> np.ndarray:
    """Return the semitones of the first partials over their fundamental, rounded."""
    return np.array([nearest(12.0 * float(np.log2(k))) for k in range(1, partials + 1)])


def _standard(values: FloatArray) -> FloatArray:
    deviation = values.std(axis=0)
    return np.asarray((values - values.mean(axis=0)) / np.where(deviation > 0.0, deviation, 1.0))


@cache
def _bands() -> FloatArray:
    """Return which bins of a transform belong to which semitone, shape (bins, bands)."""
    hz = np.fft.rfftfreq(WINDOW_SAMPLES, 1.0 / RATE)
    centres = np.array([pitch_to_hz(pitch) for pitch in range(MIN_BAND, MAX_BAND + 1)])
    edges = centres * 2.0 ** (-0.5 / 12.0)
    bands = ((hz[:, None] >= edges) & (hz[:, None] < edges * 2.0 ** (1.0 / 12.0))).astype(float)
    for band in np.flatnonzero(bands.sum(axis=0) == 0.0):
        bands[np.argmin(np.abs(hz - centres[band])), band] = 1.0
    return np.asarray(bands)

"""A noise, and the energy in bands, moment by moment, that it stands out of.

Conventions
-----------
Times are insert time in seconds. Arrays have shape (frames, bands): a frame every `HOP_S`.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from retro.measuring.listen import Sounding
from retro.model.sound import FloatArray
from retro.units import seconds_to_samples

HOP_S, WINDOW_S = 0.02, 0.08
BLOCK_FRAMES = 256
QUIET_SHARE = 0.35
"""Of the bins of a band so many are softer than the one that stands for its quiet places."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Something that stands out.

    Parameters
    ----------
    at_s, end_s
        From when to when.
    over_db
        How far it stands at most above what else is there, in the middle of all bands, or in as
        many as count.
    """

    at_s: float
    end_s: float
    over_db: float


Where = tuple[Noise, str]
"""A noise, and the name of the microphone that hears it."""


def clearest(heard: Iterable[Where]) -> tuple[Where, ...]:
    """Return noises in order of time; of those that overlap, the one that stands out most."""
    kept: list[Where] = []
    for noise, name in sorted(heard, key=lambda each: -each[0].over_db):
        if all(noise.end_s < one.at_s or one.end_s < noise.at_s for one, _ in kept):
            kept.append((noise, name))
    return tuple(sorted(kept, key=lambda each: each[0].at_s))


def band_energies(
    sounding: Sounding, start_s: float, frames: int, edges_hz: Sequence[float]
) -> FloatArray:
    """Return the energy between every two edges that the rate allows.

    The window of the first frame begins at `start_s`.
    """
    return _in_bands(sounding, start_s, frames, edges_hz, window_s=WINDOW_S, summed=_whole)


def quiet_energies(
    sounding: Sounding, start_s: float, frames: int, edges_hz: Sequence[float], window_s: float
) -> FloatArray:
    """Return the same by what lies between the partials of tones: the softer bins stand for all.

    A window is to be long enough that partials stand apart.
    """
    return _in_bands(sounding, start_s, frames, edges_hz, window_s=window_s, summed=_quiet)


def _whole(power: FloatArray) -> FloatArray:
    return np.asarray(power.sum(axis=1))


def _quiet(power: FloatArray) -> FloatArray:
    place = int(QUIET_SHARE * power.shape[1])
    return np.asarray(np.partition(power, place, axis=1)[:, place] * power.shape[1])


def _in_bands(
    sounding: Sounding,
    start_s: float,
    frames: int,
    edges_hz: Sequence[float],
    *,
    window_s: float,
    summed: Callable[[FloatArray], FloatArray],
) -> FloatArray:
    rate = sounding.rate
    hop, size = seconds_to_samples(HOP_S, rate), seconds_to_samples(window_s, rate)
    hz = np.fft.rfftfreq(size, 1.0 / rate)
    edges = np.searchsorted(hz, [edge for edge in edges_hz if edge < rate / 2.0])
    window = np.hanning(size)
    energy = np.empty((frames, len(edges) - 1))
    for first in range(0, frames, BLOCK_FRAMES):
        many = min(BLOCK_FRAMES, frames - first)
        heard = sounding.span(start_s + first * HOP_S, many * hop + size)
        spectrum = np.fft.rfft(sliding_window_view(heard, size)[: many * hop : hop] * window)
        power = (spectrum.real**2 + spectrum.imag**2) / size**2
        for band, (low, high) in enumerate(pairwise(edges)):
            energy[first : first + many, band] = summed(power[:, low:high])
    return energy


def stretches(holds: np.ndarray) -> list[tuple[int, int]]:
    """Return where something holds, half open."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], holds, [False]]).astype(int)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))

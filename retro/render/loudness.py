"""Loudness and true peak of a piece of sound.

Loudness is the gated programme loudness of ITU-R BS.1770-4 as EBU R 128 uses it: K-weighting,
blocks of 400 ms that overlap by 75 %, an absolute gate at -70 LUFS and a relative one 10 LU below.
True peak is the largest value of the sound at four times its rate (BS.1770-4, annex 2). Both come
from one pass of block-wise Fourier filtering, since importing a filter library would cost more
time than the filtering.

Conventions
-----------
Sound is (channels, frames), one or two channels of equal weight, full scale 1.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from retro.units import amplitude_to_db, db_to_energy, seconds_to_samples

TARGET_LUFS = -23.0
"""Programme loudness (EBU R 128)."""

PEAK_DBTP = -1.0
"""Highest true peak (EBU R 128)."""

HEADROOM_DB = 0.3
"""Kept below the highest true peak: what the measurement at four times the rate may miss."""

HOP_S = 0.1
BLOCK_HOPS = 4
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
LUFS_OFFSET_DB = -0.691
"""BS.1770-4: a 997 Hz sine of full scale in one channel reads -3.01 LUFS."""

OVERSAMPLING = 4
TAPS = 64
"""Length of each interpolating filter, in frames."""

ComplexArray = npt.NDArray[np.complexfloating]
RealArray = npt.NDArray[np.floating]


ROUNDS = 12
"""Steps towards a gain: a gain moves quiet blocks over the absolute gate, and so the loudness."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Loudness:
    """What was measured.

    Parameters
    ----------
    block_energies
        K-weighted energy of every block of 400 ms, channels added up; of a sound shorter than one
        block, that of the whole.
    true_peak_dbtp
        True peak, in decibels of full scale.
    """

    block_energies: RealArray = field(repr=False)
    true_peak_dbtp: float

    @property
    def lufs(self) -> float:
        """Programme loudness; ``-inf`` where everything is below the absolute gate."""
        loud = self.block_energies[_lufs(self.block_energies) > ABSOLUTE_GATE_LUFS]
        if not loud.size:
            return -math.inf
        kept = loud[_lufs(loud) > float(_lufs(np.mean(loud))) + RELATIVE_GATE_LU]
        return float(_lufs(np.mean(kept)))

    def raised(self, gain_db: float) -> "Loudness":
        """Give what the same sound measures after a gain."""
        return Loudness(
            block_energies=self.block_energies * db_to_energy(gain_db),
            true_peak_dbtp=self.true_peak_dbtp + gain_db,
        )

    def gain_db(self, wanted_lufs: float = TARGET_LUFS) -> float:
        """Gain to a loudness, held back where the true peak would be too high; 0 for silence."""
        if not np.any(self.block_energies):
            return 0.0
        gain_db = self.peak_gain_db()
        for _ in range(ROUNDS):
            lufs = self.raised(gain_db).lufs
            if not math.isinf(lufs):
                gain_db = min(gain_db + wanted_lufs - lufs, self.peak_gain_db())
        return gain_db

    def peak_gain_db(self) -> float:
        """Gain to the highest true peak."""
        return PEAK_DBTP - HEADROOM_DB - self.true_peak_dbtp


def measure(sound: RealArray, rate: int) -> Loudness:
    """Measure loudness and true peak.

    Parameters
    ----------
    sound
        Shape (channels, frames).
    rate
        Frames a second.
    """
    hop = seconds_to_samples(HOP_S, rate)
    frames = sound.shape[1]
    history = max(seconds_to_samples(HOP_S, rate), TAPS)
    size = 1 << math.ceil(math.log2(4 * history))
    responses = np.stack([k_weighting(size, rate), *_between(size)])
    energy = np.zeros(frames)
    peak = float(np.max(np.abs(sound), initial=0.0))
    for start, filtered in _filtered(sound, responses, size, history):
        weighted = filtered[0]
        energy[start : start + weighted.shape[1]] = np.sum(weighted * weighted, axis=0)
        peak = max(peak, float(np.max(np.abs(filtered[1:]))))
    return Loudness(block_energies=_blocks(energy, hop), true_peak_dbtp=amplitude_to_db(peak))


def _blocks(energy: RealArray, hop: int) -> RealArray:
    """Mean energy of every block, from the K-weighted energy of every frame."""
    hops = energy.size // hop
    if hops < BLOCK_HOPS:
        return np.array([np.mean(energy)]) if energy.size else np.zeros(1)
    sums = np.concatenate(([0.0], np.cumsum(energy[: hops * hop].reshape(hops, hop).sum(axis=1))))
    return np.asarray((sums[BLOCK_HOPS:] - sums[:-BLOCK_HOPS]) / (BLOCK_HOPS * hop))


def _lufs(energy: npt.ArrayLike) -> RealArray:
    return np.asarray(LUFS_OFFSET_DB + 10.0 * np.log10(np.maximum(energy, 1e-30)))


def k_weighting(size: int, rate: int) -> ComplexArray:
    """Response of the K-weighting at the bins of a real transform of `size` frames.

    The two second-order sections of BS.1770-4, tables 1 and 2, whose analogue figures (from
    memory, as the usual measuring libraries have them) give the tables' digits at 48 kHz.
    """
    z = np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size)
    response = np.ones_like(z)
    for b, a in k_sections(rate):
        response = response * np.polyval(b[::-1], z) / np.polyval(a[::-1], z)
    return np.asarray(response)


Section = tuple[tuple[float, float, float], tuple[float, float, float]]


def k_sections(rate: int) -> tuple[Section, Section]:
    """Coefficients (b, a) of the high shelf and of the high-pass at a rate."""
    k = math.tan(math.pi * 1681.974450955533 / rate)
    q, high = 0.7071752369554196, 10.0 ** (3.999843853973347 / 20.0)
    band = high**0.4996667741545416
    a0 = 1.0 + k / q + k * k
    shelf = (
        ((high + band * k / q + k * k) / a0, 2.0 * (k * k - high) / a0,
         (high - band * k / q + k * k) / a0),
        (1.0, 2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0),
    )  # fmt: skip
    k = math.tan(math.pi * 38.13547087602444 / rate)
    q = 0.5003270373238773
    a0 = 1.0 + k / q + k * k
    high_pass = (
        (1.0, -2.0, 1.0),
        (1.0, 2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0),
    )
    return shelf, high_pass


def _between(size: int) -> ComplexArray:
    """Responses that give the sound one, two, three quarters of a frame later."""
    quarters = np.arange(1, OVERSAMPLING)[:, np.newaxis] / OVERSAMPLING
    offset = np.arange(TAPS) - TAPS // 2 + quarters
    taps = np.sinc(offset) * np.cos(np.pi * offset / (TAPS + 1)) ** 2
    return np.asarray(np.fft.rfft(taps, size))


def _filtered(
    sound: RealArray, responses: ComplexArray, size: int, history: int
) -> Iterator[tuple[int, RealArray]]:
    """Filter by overlap-save: yield (start, sound of shape (responses, channels, frames))."""
    channels, frames = sound.shape
    step = size - history
    single = responses.astype(np.complex64)
    for start in range(0, frames, step):
        stop = min(start + step, frames)
        block = np.zeros((channels, size), dtype=np.float32)
        first = max(start - history, 0)
        block[:, history - (start - first) : history + stop - start] = sound[:, first:stop]
        spectrum = np.fft.rfft(block)
        yield (
            start,
            np.fft.irfft(single[:, np.newaxis] * spectrum, size)[
                ..., history : history + stop - start
            ],
        )

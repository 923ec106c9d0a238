"""Loudness and true peak of a piece of sound.

Loudness is the gated programme loudness of ITU-R BS.1770-4 as EBU R 128 uses it: K-weighting,
blocks of 400 ms that overlap by 75 %, an absolute gate at -70 LUFS and a relative one 10 LU below.
True peak is the largest value of the sound at four times its rate (BS.1770-4, annex 2). Both come
from block-wise Fourier filtering, since importing a filter library would cost more time than the
filtering. The sound is read once, in chunks; what is known of a chunk says where the true peak can
be, and only there is it looked for.

Conventions
-----------
Sound is (channels, frames), one or two channels of equal weight, full scale 1.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

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

CHUNK_BLOCKS = 4
"""Blocks of a chunk, which are filtered at once."""

FRESH_HOPS = 4
"""Hops of a block of the K-weighting. Half a hop before it, 50 ms, is what the K-weighting needs to
have heard: its high-pass has fallen by 100 dB."""

PEAK_BLOCK = 256
"""Frames of the blocks in which a true peak is looked for."""

PEAK_BATCH = 32
"""Blocks that are looked at at once."""

STRAIGHT = 1.0003
CURVED = 0.5765
"""What a value between two samples can be at most: `STRAIGHT` times the larger of them and `CURVED`
times the largest second difference around. An interpolating filter is a straight line between two
samples, two small weights that make up for its window, and a filter of second differences; `CURVED`
is the sum of the last one's magnitudes."""

ComplexArray = npt.NDArray[np.complexfloating]
Stereo = npt.NDArray[np.complex64]
Single = npt.NDArray[np.float32]
RealArray = npt.NDArray[np.floating]
IntArray = npt.NDArray[np.int64]


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
        """Return what the same sound measures after a gain."""
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
    hop, frames = seconds_to_samples(HOP_S, rate), sound.shape[1]
    history, block = hop // 2, FRESH_HOPS * hop
    chunk = CHUNK_BLOCKS * block
    response = _two_sided(k_weighting(history + block, rate), history + block)
    energies: list[RealArray] = [np.zeros(0)]
    highest, curvatures, starts = [], [], []
    for start in range(0, frames, chunk):
        peak_blocks = chunk // PEAK_BLOCK + 1
        piece = _stereo(sound, start - history, start + peak_blocks * PEAK_BLOCK + 1)
        energy = _weighted_energy(piece[: history + chunk], history, block, response)
        energy.reshape(-1)[2 * (frames - start) :] = 0.0
        energies.append(energy.reshape(-1, 2 * hop).sum(axis=1))
        extent = _extent(piece[history - 2 :])
        highest.append(extent[0])
        curvatures.append(extent[1])
        starts.append(start + PEAK_BLOCK * np.arange(peak_blocks))
    return Loudness(
        block_energies=_blocks(np.concatenate(energies), frames, hop),
        true_peak_dbtp=amplitude_to_db(_true_peak(sound, highest, curvatures, starts)),
    )


def _stereo(sound: RealArray, start: int, stop: int) -> Stereo:
    """Return some frames, and silence beyond the sound's ends.

    Two channels are one complex channel: real filters keep them apart, one transform does both.
    """
    stereo = np.zeros(stop - start, dtype=np.complex64)
    first = max(start, 0)
    last = max(min(stop, sound.shape[1]), first)
    inside = stereo[first - start : last - start]
    inside.real = sound[0, first:last]
    inside.imag = sound[1, first:last] if sound.shape[0] == 2 else 0.0
    return stereo


def _weighted_energy(piece: Stereo, history: int, block: int, response: Stereo) -> Single:
    """Return the K-weighted energy of every sample, filtering by overlap-save.

    Its shape is (blocks, 2 * block): the channels of a frame stand side by side.
    """
    blocks = sliding_window_view(piece, history + block)[::block]
    weighted = _filtered(blocks, response)[:, history:].view(np.float32)
    return np.square(weighted)


def _extent(piece: Stereo) -> tuple[Single, Single]:
    """Return the largest sample and the largest second difference of every block.

    The piece begins two frames before the first block and ends one frame after the last.
    """
    values = piece.view(np.float32)
    sizes = np.abs(values[4:])
    after = sizes[2 * PEAK_BLOCK :: 2 * PEAK_BLOCK], sizes[2 * PEAK_BLOCK + 1 :: 2 * PEAK_BLOCK]
    highest = sizes[:-2].reshape(-1, 2 * PEAK_BLOCK).max(axis=1)
    highest = np.maximum(highest, np.maximum(*after))
    bent = values[4:-2] + values[:-6]
    bent -= 2.0 * values[2:-4]
    np.abs(bent, out=bent)
    return highest, bent.reshape(-1, 2 * PEAK_BLOCK).max(axis=1)


def _true_peak(
    sound: RealArray,
    highest: Sequence[Single],
    curvatures: Sequence[Single],
    starts: Sequence[IntArray],
) -> float:
    """Return the largest value at four times the rate, looking only where it can be.

    Blocks are taken in the order of what they can hold, until the rest cannot reach what was
    found.
    """
    if not starts:
        return 0.0
    sizes, start = np.concatenate(highest), np.concatenate(starts)
    curvature = np.pad(np.concatenate(curvatures), 1)
    around = np.maximum(np.maximum(curvature[:-2], curvature[2:]), curvature[1:-1])
    bound = STRAIGHT * sizes + CURVED * around
    order = np.argsort(-bound, kind="stable")
    peak = float(sizes.max())
    responses = _between(PEAK_BLOCK + 2 * TAPS)
    for first in range(0, order.size, PEAK_BATCH):
        some = order[first : first + PEAK_BATCH]
        some = some[bound[some] > peak]
        if not some.size:
            break
        near = np.stack(
            [_stereo(sound, at - TAPS, at + PEAK_BLOCK + TAPS) for at in start[some].tolist()]
        )
        for response in responses:
            between = _filtered(near, response)[:, TAPS:]
            peak = max(peak, float(np.max(np.abs(between.view(np.float32)))))
    return peak


def _filtered(sound: Stereo, response: ComplexArray) -> Stereo:
    """Filter by a transform's response, circularly, along the last axis."""
    # Only with a norm does numpy transform single precision in single precision.
    spectrum = np.fft.fft(sound, norm="ortho")
    spectrum *= response
    return np.asarray(np.fft.ifft(spectrum, norm="ortho"), dtype=np.complex64)


def _two_sided(response: ComplexArray, size: int) -> Stereo:
    """Return a real filter's response to `size` frames at the negative frequencies, too."""
    both = np.concatenate((response, response[(size - 1) // 2 : 0 : -1].conj()))
    return both.astype(np.complex64)


def _blocks(energies: RealArray, frames: int, hop: int) -> RealArray:
    """Mean energy of every block, from the K-weighted energy of every hop."""
    hops = frames // hop
    if hops < BLOCK_HOPS:
        return np.array([energies.sum() / max(frames, 1)])
    sums = np.concatenate(([0.0], np.cumsum(energies[:hops], dtype=np.float64)))
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


def _between(size: int) -> Stereo:
    """Responses that give the sound one, two, three quarters of a frame later."""
    quarters = np.arange(1, OVERSAMPLING)[:, np.newaxis] / OVERSAMPLING
    offset = np.arange(TAPS) - TAPS // 2 + quarters
    taps = np.sinc(offset) * np.cos(np.pi * offset / (TAPS + 1)) ** 2
    return np.fft.fft(taps, size).astype(np.complex64)

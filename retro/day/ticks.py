"""Hears tick patterns in long recordings: in a click track, or in what bleeds out of headphones.

Method. The file is read once, in blocks, at `COARSE_RATE`. A tick is looked for by correlation, and
the ticks of a pattern are added up where they have to stand; of the energy around those places, the
share that the pattern explains is what tells. A cough or a stroke fills one place of nine, another
pattern three at most. What explains enough is looked at again at the file's own rate, where the
whole pattern gives the frame. One polarity is as good as the other.
"""

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
import soxr
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import hilbert, oaconvolve

from retro.day.clicks import TICK_HZ, TICK_S, tick_burst
from retro.day.patterns import SLOT_S
from retro.measuring.listen import undecodable
from retro.model.sound import FloatArray
from retro.units import samples_to_seconds, seconds_to_samples

ComplexArray = npt.NDArray[np.complex128]

COARSE_RATE = 12_000
"""Twice the upper end of the band and some; a slot is a whole number of its frames."""

BAND_HZ = (1_300.0, 5_200.0)
"""An octave to both sides of the tick."""

BLOCK_S = 20.0
SMEAR_S = 0.002
"""How much longer than itself a tick lasts in this band."""

MIN_COARSE_SHARE, MIN_SHARE = 0.35, 0.6
"""Share of the energy that the pattern explains at least. Noise as loud as the click leaves 0.8,
noise 10 dB louder 0.4 to 0.5."""

NEAR_S = 0.002
"""How far from its coarse place the pattern is looked for again."""

APART_S = 0.5
"""Two places of one pattern that are closer than this are one."""

MIN_ENERGY = 1e-14
"""Mean square of a sound that is silence: a hundredth of a step of 24 bits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TickHit:
    """Where a pattern was heard.

    Parameters
    ----------
    pattern
        Which one.
    first_tick_frame
        Frame of the file at which its first tick starts.
    share
        Of the energy around its ticks, what the pattern explains: 0 to 1.
    """

    pattern: int
    first_tick_frame: int
    share: float


def hear_patterns(path: Path, patterns: Sequence[Sequence[int]]) -> tuple[TickHit, ...]:
    """Return where tick patterns, slots from the first tick, lie in a file, in order of time.

    Its channels are heard as one. Memory does not grow with the file; the time grows with what is
    read.

    Raises
    ------
    AudioError
        If the file cannot be decoded.
    """
    try:
        with soundfile.SoundFile(os.fsencode(path)) as file:
            rate = file.samplerate
            coarse = [hit for block in _blocks(file, patterns) for hit in _coarse(block, patterns)]
            hits = [_refined(file, hit, patterns[hit.pattern], rate) for hit in _best(coarse)]
    except (soundfile.LibsndfileError, RuntimeError) as fault:
        raise undecodable(path, fault) from fault
    sure = _best(
        [hit for hit in hits if hit.share >= MIN_SHARE], apart=seconds_to_samples(APART_S, rate)
    )
    return tuple(sorted(sure, key=lambda hit: hit.first_tick_frame))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Block:
    """Some coarse sound, which overlaps the next by the longest pattern."""

    first_frame: int
    heard: FloatArray
    new_frames: int


def _blocks(file: soundfile.SoundFile, patterns: Sequence[Sequence[int]]) -> Iterator[_Block]:
    """Read a file once, at the coarse rate, in blocks that overlap by the longest pattern."""
    rate = file.samplerate
    resample = soxr.ResampleStream(rate, COARSE_RATE, 1, dtype="float64", quality="MQ")
    overlap = _length(max((pattern[-1] for pattern in patterns), default=0), COARSE_RATE)
    kept, first = np.zeros(0), 0
    size = seconds_to_samples(BLOCK_S, rate)
    while True:
        block = file.read(size, dtype="float64", always_2d=True)
        is_last = len(block) < size
        mono = np.nan_to_num(block.mean(axis=1), posinf=0.0, neginf=0.0)
        kept = np.concatenate([kept, resample.resample_chunk(mono, last=is_last)])
        new = max(len(kept) - overlap, 0) if not is_last else len(kept)
        yield _Block(first_frame=first, heard=kept, new_frames=new)
        kept, first = kept[new:], first + new
        if is_last:
            return


def _length(last_slot: int, rate: int) -> int:
    return seconds_to_samples(last_slot * SLOT_S + TICK_S + SMEAR_S, rate)


def _coarse(block: _Block, patterns: Sequence[Sequence[int]]) -> Iterator[TickHit]:
    """Yield where the patterns may begin in a block, in coarse frames of the file."""
    if len(block.heard) < _length(0, COARSE_RATE):
        return
    heard = _in_band(block.heard, COARSE_RATE)
    tick = np.asarray(hilbert(_padded_tick(COARSE_RATE)))
    correlation = oaconvolve(heard, tick.conj()[::-1], mode="valid")
    energy = _sliding_sum(heard**2, len(tick))
    unit = float(np.sum(np.abs(tick) ** 2))
    for number, pattern in enumerate(patterns):
        starts = [seconds_to_samples(slot * SLOT_S, COARSE_RATE) for slot in pattern]
        frames = len(correlation) - starts[-1]
        if frames <= 0:
            continue
        reached = np.sum([correlation[start : start + frames] for start in starts], axis=0)
        around = np.sum([energy[start : start + frames] for start in starts], axis=0)
        shares = 2.0 * np.abs(reached) ** 2 / (len(starts) * unit * _audible(around, len(tick)))
        for at in _tops(np.asarray(shares[: block.new_frames])):
            yield TickHit(
                pattern=number,
                first_tick_frame=block.first_frame + int(at),
                share=float(shares[at]),
            )


def _refined(file: soundfile.SoundFile, hit: TickHit, pattern: Sequence[int], rate: int) -> TickHit:
    """Return a coarse hit at the file's own rate, with the frame at which it explains most."""
    near = seconds_to_samples(NEAR_S, rate)
    margin = near + seconds_to_samples(TICK_S, rate)
    about = seconds_to_samples(samples_to_seconds(hit.first_tick_frame, COARSE_RATE), rate)
    first = max(about - margin, 0)
    file.seek(first)
    heard = file.read(
        about - first + margin + _length(pattern[-1], rate), dtype="float64", always_2d=True
    )
    tick = _padded_tick(rate)
    starts = [seconds_to_samples(slot * SLOT_S, rate) for slot in pattern]
    lags = np.arange(max(about - near, 0), about + near + 1) - first
    last = int(lags[-1]) + starts[-1] + len(tick)
    mono = np.zeros(max(last, len(heard)))
    mono[: len(heard)] = np.nan_to_num(heard.mean(axis=1), posinf=0.0, neginf=0.0)
    mono = _in_band(mono, rate)
    reached, around = np.zeros(len(lags)), np.zeros(len(lags))
    for start in starts:
        spans = np.lib.stride_tricks.sliding_window_view(mono, len(tick))[lags + start]
        reached += spans @ tick
        around += np.sum(spans**2, axis=1)
    unit = float(np.sum(tick**2))
    shares = reached**2 / (len(starts) * unit * _audible(around, len(tick)))
    best = int(np.argmax(np.abs(reached)))
    return TickHit(
        pattern=hit.pattern,
        first_tick_frame=first + int(lags[best]),
        share=float(shares[best]),
    )


def _padded_tick(rate: int) -> FloatArray:
    """Return a tick in the band, with the room that it takes there."""
    burst = tick_burst(rate).astype(np.float64)
    room = seconds_to_samples(SMEAR_S, rate)
    return _in_band(np.concatenate([burst, np.zeros(room)]), rate)


def _in_band(heard: FloatArray, rate: int) -> FloatArray:
    """Return what lies in the ticks' band, without a shift in time."""
    padded = next_fast_len(len(heard) + seconds_to_samples(SMEAR_S, rate))
    spectrum = rfft(heard, padded)
    hz = np.arange(len(spectrum)) * rate / padded
    low, high = BAND_HZ
    octaves = np.log2(np.maximum(hz, 1.0) / TICK_HZ)
    inside = np.clip(2.0 - np.abs(octaves) / np.log2(high / TICK_HZ), 0.0, 1.0)
    return np.asarray(irfft(spectrum * np.where(hz < low / 2.0, 0.0, inside), padded)[: len(heard)])


def _sliding_sum(values: FloatArray, length: int) -> FloatArray:
    total = np.concatenate([[0.0], np.cumsum(values)])
    return np.asarray(total[length:] - total[:-length])


def _audible(energy: FloatArray, frames: int) -> FloatArray:
    return np.maximum(energy, MIN_ENERGY * frames)


def _tops(shares: FloatArray) -> list[int]:
    """Return where a pattern may begin: what explains most within `APART_S`."""
    apart = seconds_to_samples(APART_S, COARSE_RATE)
    left = shares.copy()
    tops = []
    while left.size and (at := int(np.argmax(left))) >= 0 and left[at] >= MIN_COARSE_SHARE:
        tops.append(at)
        left[max(at - apart, 0) : at + apart] = 0.0
    return tops


def _best(hits: Sequence[TickHit], *, apart: int = 0) -> list[TickHit]:
    """Return the hits that no better one lies near, whichever pattern it is of."""
    apart = apart or seconds_to_samples(APART_S, COARSE_RATE)
    found: list[TickHit] = []
    for hit in sorted(hits, key=lambda one: -one.share):
        if all(abs(hit.first_tick_frame - one.first_tick_frame) > apart for one in found):
            found.append(hit)
    return found

"""What a microphone hears of one rise or fall: the energy in the bands of its partials over time.

Conventions
-----------
Times are insert time in seconds; a course counts from the moment at which its edge is expected.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from retro.measuring.listen import Sounding
from retro.model.sound import FloatArray, Room, built_up
from retro.model.tones import BoolArray
from retro.sounds.edge_fit import FLOOR, Course
from retro.sounds.free_notes import APART_S, MISTUNED, Edge, FreeEdge
from retro.units import db_to_energy, seconds_to_samples

HOPS = 3
"""Hops of a window."""

PEAK_HOPS = 6
"""Hops over which a stroke is as loud as it gets."""

MIN_OVER_DB = {Edge.RISE: 12.0, Edge.FALL: 15.0, Edge.RING: 15.0}
"""How far a band stands over noise and background."""

NEAR_S = {Edge.RISE: 0.15, Edge.FALL: 0.25, Edge.RING: 0.12}
"""How early or late one player may be beside the others."""

CROSSED_DB, LET_GO_DB = 10.0, 3.0
"""Where a rise and a fall are looked for, below full."""

TRIED = {
    Edge.RISE: (-0.04, 0.04, 0.003),
    Edge.FALL: (-0.16, 0.03, 0.004),
    Edge.RING: (-0.02, 0.02, 0.004),
}
"""Moments that are tried about where an edge is seen, and by what steps."""

QUIET_S, QUIET_SHARE, MIN_QUIET = 0.1, 0.025, 5
"""Blocks that noise is looked for in, and which share of them is the quietest."""

BLOCK_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """The quietest blocks of a take, shape (blocks, frames)."""

    rate: int
    blocks: FloatArray

    @classmethod
    def of(cls, sounding: Sounding) -> "Quiet":
        """Return those of a take."""
        size = seconds_to_samples(QUIET_S, sounding.rate)
        kept: list[FloatArray] = []
        count = 0
        for heard in _read(sounding):
            blocks = heard[: heard.size // size * size].reshape(-1, size)
            count += len(blocks)
            kept.extend(blocks[np.any(blocks != 0.0, axis=1)])
            kept.sort(key=lambda block: float(block @ block))
            del kept[max(round(QUIET_SHARE * count), MIN_QUIET) :]
        return cls(rate=sounding.rate, blocks=np.array(kept).reshape(-1, size))

    def level(self, free: FreeEdge) -> FloatArray:
        """Return the mean logarithm of the noise's energy in every band."""
        if not len(self.blocks):
            return np.full(len(free.bands), -np.inf)
        size = seconds_to_samples(free.window_s, self.rate)
        heard = [
            _banded(block, np.arange(0, block.size - size + 1, size), free, self.rate)
            for block in self.blocks
        ]
        return np.asarray(np.log(np.concatenate(heard, axis=1) + 1e-30).mean(axis=1))


def course_of(
    sounding: Sounding, free: FreeEdge, quiet: Quiet, room: Room, *, late_s: float
) -> Course | None:
    """Return what is heard of an edge; None where it does not stand out, or is not there.

    Parameters
    ----------
    late_s
        How late the take is in this microphone.
    """
    hop_s = free.window_s / HOPS
    count = int((free.end_s - free.start_s) / hop_s)
    size = seconds_to_samples(free.window_s, sounding.rate)
    at = np.array([seconds_to_samples(place * hop_s, sounding.rate) for place in range(count)])
    heard = sounding.span(free.start_s + late_s - 0.5 * free.window_s, int(at[-1]) + size)
    energy = _banded(heard, at, free, sounding.rate) + 1e-30
    times_s: FloatArray = np.asarray(free.start_s - free.at_s + np.arange(count) * hop_s)
    full = _full(energy, times_s, free)
    noise = np.exp(_floor(energy, times_s, free, quiet))
    is_clear = full > noise * db_to_energy(MIN_OVER_DB[free.edge])
    if not is_clear.any():
        return None
    bands = np.log(energy[is_clear] / full[is_clear, np.newaxis] + FLOOR)
    level = bands.mean(axis=0)
    is_before = _is_before(times_s, free)
    noise = noise[is_clear] / full[is_clear] + FLOOR
    if is_before.any():
        noise = np.exp(bands[:, is_before].mean(axis=1))
    seen_s = _seen_s(level, times_s, free.edge)
    if seen_s is None or abs(seen_s) > NEAR_S[free.edge]:
        return None
    first_s, last_s, step_s = TRIED[free.edge]
    held_s = max(free.note.off_s - free.note.on_s, 0.0)
    return Course(
        edge=free.edge,
        is_struck=free.note.is_struck,
        times_s=times_s,
        level=level,
        noise=noise,
        joined=tuple(
            len(band) >= 3 for band, clear in zip(free.bands, is_clear, strict=True) if clear
        ),
        window_s=free.window_s,
        starts_s=seen_s + np.arange(first_s, last_s, step_s),
        filled=float(built_up(held_s, room)),
    )


def _read(sounding: Sounding) -> Iterator[FloatArray]:
    size = seconds_to_samples(BLOCK_S, sounding.rate)
    for block in range(max(math.ceil((sounding.end_s - sounding.start_s) / BLOCK_S), 0)):
        start_s = sounding.start_s + block * BLOCK_S
        left = seconds_to_samples(sounding.end_s - start_s, sounding.rate)
        yield sounding.span(start_s, min(size, left))


def _banded(heard: FloatArray, at: np.ndarray, free: FreeEdge, rate: int) -> FloatArray:
    """Return energies of windows that begin at some frames, shape (bands, windows)."""
    size = seconds_to_samples(free.window_s, rate)
    frames = np.lib.stride_tricks.sliding_window_view(heard, size)[at]
    spectrum = np.fft.rfft(frames * np.hanning(size), axis=1)
    energy = spectrum.real**2 + spectrum.imag**2
    hz = np.arange(energy.shape[1]) * rate / size
    half_hz = 2.0 / free.window_s
    return np.array(
        [
            energy[
                :, np.any([np.abs(hz - one) <= half_hz + MISTUNED * one for one in band], axis=0)
            ].sum(axis=1)
            for band in free.bands
        ]
    )


def _full(energy: FloatArray, times_s: FloatArray, free: FreeEdge) -> FloatArray:
    """Return the full level in every band: late behind a rise, before a fall, after a stroke."""
    if free.edge is Edge.RISE and free.note.is_struck:
        sums = np.cumsum(energy, axis=1)
        return np.asarray((sums[:, PEAK_HOPS:] - sums[:, :-PEAK_HOPS]).max(axis=1) / PEAK_HOPS)
    if free.edge is Edge.RISE:
        is_full = times_s > 0.6 * times_s[-1]
    elif free.edge is Edge.FALL:
        is_full = times_s < -0.06
    else:
        is_full = times_s < times_s[0] + 0.05
    return np.asarray(energy[:, is_full].mean(axis=1))


def _floor(energy: FloatArray, times_s: FloatArray, free: FreeEdge, quiet: Quiet) -> FloatArray:
    """Return the logarithm of what sounds beside a tone: before it begins, else the noise."""
    is_before = _is_before(times_s, free)
    if not is_before.any():
        return quiet.level(free)
    return np.asarray(np.log(energy[:, is_before]).mean(axis=1))


def _is_before(times_s: FloatArray, free: FreeEdge) -> BoolArray:
    """Return which instants lie before a tone begins."""
    return np.asarray((times_s < -APART_S) & (free.edge is Edge.RISE))


def _seen_s(level: FloatArray, times_s: FloatArray, edge: Edge) -> float | None:
    """Return about where an edge is seen."""
    smooth = np.convolve(np.pad(level, 1, mode="edge"), np.ones(3) / 3.0, mode="valid")
    if edge is Edge.RING:
        return 0.0
    if edge is Edge.RISE:
        over = np.flatnonzero(smooth > math.log(db_to_energy(-CROSSED_DB)))
        return float(times_s[over[0]]) if over.size else None
    over = np.flatnonzero(smooth > math.log(db_to_energy(-LET_GO_DB)))
    return float(times_s[over[-1]]) if over.size else None

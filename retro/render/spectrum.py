"""Sums of slowly changing sines, made in the frequency domain.

The sound is cut into frames that overlap by two thirds. In a frame every sine is steady, so its
transform is that of the frame's window, moved to the sine's frequency: eight bins hold it. All
sines of a frame are added up as bins and one inverse transform makes them sound; frames then cross
into one another in straight lines. So a sine costs eight additions a frame, however long the frame
is. Source: the inverse-transform synthesis of Rodet and Depalle, 93rd AES Convention, 1992 (from
memory).

Sines that keep their frequency are added all at once: first the amplitudes that share a frequency,
then the sines whose lobes begin at one bin. Both are small products, made one after the other.

Conventions
-----------
A *node* is a frame's centre; node 0 is the sound's frame 0 and nodes are `hop` frames apart. Sound
is stereo as complex numbers, left + i right, complex64. So are the bins, from the most negative
frequency up.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Complex64 = npt.NDArray[np.complex64]
ComplexArray = npt.NDArray[np.complex128]
Single = npt.NDArray[np.float32]

HOP_48K = 128
"""Frames from node to node at 48 kHz: 2.7 ms."""

OVERLAP = 3
"""Hops in a frame."""

WINDOW = (0.35875, 0.48829, 0.14128, 0.01168)
"""Cosine sum of the frames' window (Blackman-Harris, minimum 4 terms, side lobes at -92 dB)."""

LOBE = 4
"""Half the width of its main lobe, in bins."""

NEXT_TO_NOTHING = 1e-9
"""Distance in bins that stands for none, where a quotient would be 0 / 0."""

TABLE_STEPS = 4096
"""Entries a bin in the table of lobes: between two a straight line is off by less than 1e-7 of the
largest."""

TURNS_ROW = 16
"""Nodes over which a line's turning is computed before it is repeated, turned."""


def hop_at(rate: int) -> int:
    """Frames from node to node at a rate: a power of two, 2 to 4 ms."""
    return HOP_48K << max(round(math.log2(rate / 48_000)), 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sinusoids:
    """Sines of steady frequency: what is the same wherever they sound.

    Parameters
    ----------
    cycles
        Their cycles from node to node, shape (lines,).
    low
        The lowest of the bins that hold each, counted from that of frequency 0.
    shapes
        What each bin holds, shape (lines, 2 * LOBE).
    turns
        ``exp(i phase)`` at nodes from phase 0 on, shape (lines, nodes).
    """

    cycles: FloatArray
    low: IntArray
    shapes: Single
    turns: Complex64

    @classmethod
    def of(cls, hz: FloatArray, rate: int, nodes: int) -> "Sinusoids":
        """Return the lines of some frequencies, for spectra of so many nodes."""
        size = OVERLAP * hop_at(rate)
        position = hz * size / rate
        low = np.floor(position).astype(np.int64) - LOBE + 1
        cycles = hz * hop_at(rate) / rate
        return cls(
            cycles=cycles, low=low, shapes=_lobes(low - position, size), turns=_turns(cycles, nodes)
        )

    def phase_factors(self, which: IntArray, node: int) -> ComplexArray:
        """Return ``exp(i phase)`` of some lines at a node, where all have phase 0 at node 0."""
        return np.asarray(np.exp(2j * np.pi * np.mod(self.cycles[which] * node, 1.0)))


def _turns(cycles: FloatArray, nodes: int) -> Complex64:
    """Return ``exp(2 pi i cycles k)`` for every node k, shape (lines, nodes)."""
    rows = -(-nodes // TURNS_ROW)
    at = np.concatenate((TURNS_ROW * np.arange(rows), np.arange(TURNS_ROW)))
    turns = np.exp(2j * np.pi * np.mod(np.multiply.outer(cycles, at), 1.0)).astype(np.complex64)
    product = turns[:, :rows, np.newaxis] * turns[:, np.newaxis, rows:]
    return np.ascontiguousarray(product.reshape(cycles.size, rows * TURNS_ROW)[:, :nodes])


class Spectrum:
    """The bins of some frames of the transform, the nodes, of sound at a rate."""

    def __init__(self, rate: int, nodes: int) -> None:
        self._rate = rate
        self._hop = hop_at(rate)
        self._size = OVERLAP * self._hop
        self._nodes = nodes
        self._bins: Complex64 | None = None

    @property
    def is_silent(self) -> bool:
        """Whether nothing was added."""
        return self._bins is None

    def add(
        self,
        lines: Sinusoids,
        amplitudes: Complex64,
        *,
        row: IntArray,
        line: IntArray,
        factors: ComplexArray,
    ) -> None:
        """Add steady sines: each takes rows of amplitudes, by factors.

        Parameters
        ----------
        lines
            The lines that there are.
        amplitudes
            Complex amplitudes at the nodes, shape (rows, nodes).
        row, line
            Which row sounds on which line, in the order of the rows; shape (pairs,).
        factors
            By which, at the first node: for the positive frequency, and conjugate for the
            negative; shape (pairs, 2).
        """
        if not line.size:
            return
        used, sines = _by_line(amplitudes, row, line, factors.astype(np.complex64))
        sines *= lines.turns[used, np.newaxis]
        np.conjugate(sines[:, 1], out=sines[:, 1])
        both = np.zeros((self._size // 2 + 2 * LOBE, 2, self._nodes), dtype=np.complex64)
        for low, added in _by_low(lines.low[used], lines.shapes[used], sines):
            both[low + LOBE : low + 3 * LOBE] += added
        if self._bins is None:
            self._bins = self._silence()
        up = self._bins[self._size // 2 - LOBE :]
        up += both[: up.shape[0], 0]
        down = self._bins[self._size // 2 + LOBE : 0 : -1]
        down += both[: down.shape[0], 1]

    def add_moving(self, hz: FloatArray, first: int, values: ComplexArray) -> None:
        """Add a sine whose frequency moves.

        Parameters
        ----------
        hz
            Its frequency at the nodes from `first` on, shape (n,).
        first
            Its first node.
        values
            Its complex factors there, its phase included, shape (2, n): of the positive frequency,
            and the conjugate ones of the negative.
        """
        position = hz * self._size / self._rate
        low = np.floor(position).astype(np.int64) - LOBE + 1
        shapes = _looked_up(low - position, self._size)
        nodes = first + np.arange(hz.size)
        bins = low + np.arange(2 * LOBE)[:, np.newaxis]
        middle = self._size // 2
        if self._bins is None:
            self._bins = self._silence()
        up, down = values.astype(np.complex64)
        self._bins[middle + bins, nodes] += shapes * up
        self._bins[middle - bins, nodes] += shapes * down.conj()

    def sound(self) -> Complex64:
        """Return the sound from the first node to the last; shape (hop * (nodes - 1),)."""
        bins = self._silence() if self._bins is None else self._bins
        frames = np.fft.ifft(bins, axis=0)
        leaving, arriving = _crossing(self._hop)
        crossed = frames[: self._hop, :-1].view(np.float32) * leaving
        crossed += frames[-self._hop :, 1:].view(np.float32) * arriving
        return crossed.view(np.complex64).T.reshape(-1)

    def _silence(self) -> Complex64:
        return np.zeros((self._size, self._nodes), dtype=np.complex64)


def _by_line(
    amplitudes: Complex64, row: IntArray, line: IntArray, factors: Complex64
) -> tuple[IntArray, Complex64]:
    """Return the lines that sound, and what sounds on each, shape (used, 2, nodes).

    The first row of every line is taken as it is; those that share its line are added in turns.
    """
    order = np.argsort(line, kind="stable")
    used, begins, counts = np.unique(line[order], return_index=True, return_counts=True)
    sines = _weighted(amplitudes, row, factors, order[begins])
    for turn in range(1, int(counts.max())):
        more = np.flatnonzero(counts > turn)
        sines[more] += _weighted(amplitudes, row, factors, order[begins[more] + turn])
    return used, sines


def _weighted(
    amplitudes: Complex64, row: IntArray, factors: Complex64, some: IntArray
) -> Complex64:
    return np.asarray(factors[some, :, np.newaxis] * amplitudes[row[some], np.newaxis])


def _by_low(low: IntArray, shapes: Single, sines: Complex64) -> Iterator[tuple[int, Complex64]]:
    """Yield each lowest bin, and what its lines add to the bins from there on.

    Lines of one lowest bin that stand side by side are taken together. What they add has shape
    (2 * LOBE, 2, nodes), as `sines` has (lines, 2, nodes).
    """
    begins = np.flatnonzero(np.diff(low, prepend=low[0] - 1))
    flat = sines.reshape(low.size, -1).view(np.float32)
    for begin, end in pairwise((*begins.tolist(), low.size)):
        added = np.einsum("lk,ln->kn", shapes[begin:end], flat[begin:end])
        yield int(low[begin]), added.view(np.complex64).reshape(2 * LOBE, *sines.shape[1:])


def _lobes(first: FloatArray, size: int) -> Single:
    """Return the window's transform over its main lobe, shape (..., 2 * LOBE).

    `first` is how far its first bin is from its middle, in bins. A cosine of order n puts half its
    weight n bins up and half n bins down. Whole distances, where a quotient would be 0 / 0, are
    moved by next to nothing.
    """
    orders = np.arange(1 - len(WINDOW), len(WINDOW))
    weights = 0.5 * np.array(WINDOW)[np.abs(orders)] * (-1.0) ** orders
    weights[orders == 0] *= 2.0
    first = np.where(first == np.rint(first), first + NEXT_TO_NOTHING, first)[..., np.newaxis]
    away = first + np.arange(orders[0], 2 * LOBE + orders[-1])
    cotangents = 1.0 / np.tan(np.pi / size * away)
    quotients = sliding_window_view(cotangents, orders.size, axis=-1) @ weights
    signs = (-1.0) ** np.arange(2 * LOBE)
    return np.asarray(np.sin(np.pi * first) * signs * quotients, dtype=np.float32)


def _looked_up(first: FloatArray, size: int) -> Single:
    """Return the window's transform as `_lobes` does, between the entries of a table.

    `first` lies from ``-LOBE`` to ``1 - LOBE``, shape (n,); the result has shape (2 * LOBE, n).
    """
    table = _lobe_table(size)
    place = (first + LOBE) * TABLE_STEPS
    entry = np.minimum(place.astype(np.int64), TABLE_STEPS - 1)
    rest = (place - entry).astype(np.float32)
    return np.asarray(table[:, entry] * (1.0 - rest) + table[:, entry + 1] * rest)


@lru_cache(maxsize=8)
def _lobe_table(size: int) -> Single:
    return np.ascontiguousarray(_lobes(np.linspace(-LOBE, 1 - LOBE, TABLE_STEPS + 1), size).T)


@lru_cache(maxsize=8)
def _crossing(hop: int) -> tuple[Single, Single]:
    """Return what turns a frame's second and first part into a straight fade, shape (hop, 1).

    The bins start at the lowest frequency instead of 0, which turns every other sample round.
    """
    after = np.arange(hop) / hop
    sign = 1.0 - 2.0 * (np.arange(hop) % 2)
    leaving = sign * (1.0 - after) / _window(after / OVERLAP)
    arriving = sign * after / _window((1.0 - after) / OVERLAP)
    return leaving.astype(np.float32)[:, np.newaxis], arriving.astype(np.float32)[:, np.newaxis]


def _window(distance: FloatArray) -> FloatArray:
    """Return the frames' window at some distances from its middle, in frames."""
    angle = 2.0 * np.pi * distance
    return np.asarray(sum(weight * np.cos(order * angle) for order, weight in enumerate(WINDOW)))

"""Sums of slowly changing sines, made in the frequency domain.

The sound is cut into frames that overlap by two thirds. In a frame every sine is steady, so its
transform is that of the frame's window, moved to the sine's frequency: eight bins hold it. All
sines of a frame are added up as bins and one inverse transform makes them sound; frames then cross
into one another in straight lines. So a sine costs eight additions a frame, however long the frame
is. Source: the inverse-transform synthesis of Rodet and Depalle, 93rd AES Convention, 1992 (from
memory).

Conventions
-----------
A *node* is a frame's centre; node 0 is the sound's frame 0 and nodes are `hop` frames apart. Sound
is stereo as complex numbers, left + i right, complex64. So are the bins, from the most negative
frequency up.
"""

import math
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Complex64 = npt.NDArray[np.complex64]
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

CARRIER_ROW = 64
"""Nodes over which a carrier is computed before it is repeated, turned."""


def hop_at(rate: int) -> int:
    """Frames from node to node at a rate: a power of two, 2 to 4 ms."""
    return HOP_48K << max(round(math.log2(rate / 48_000)), 0)


def carrier(hz: float, first: int, nodes: int, hop: int, rate: int) -> Complex64:
    """Give ``exp(2 pi i hz t)`` at some nodes, shape (nodes,)."""
    rows = -(-nodes // CARRIER_ROW)
    cycles = hz * hop / rate
    starts = np.mod(cycles * (first + CARRIER_ROW * np.arange(rows)), 1.0)
    steps = np.mod(cycles * np.arange(CARRIER_ROW), 1.0)
    turns = np.exp(2j * np.pi * np.concatenate((starts, steps))).astype(np.complex64)
    return np.asarray(np.multiply.outer(turns[:rows], turns[rows:]).reshape(-1)[:nodes])


class Spectrum:
    """The bins of some frames.

    Parameters
    ----------
    rate
        Frames of sound a second.
    nodes
        Frames of the transform.
    """

    def __init__(self, rate: int, nodes: int) -> None:
        self._rate = rate
        self._hop = hop_at(rate)
        self._size = OVERLAP * self._hop
        self._bins = np.zeros((self._size, nodes), dtype=np.complex64)

    def add(self, hz: float, first: int, values: Complex64) -> None:
        """Add a steady sine from a node on.

        Parameters
        ----------
        hz
            Its frequency.
        first
            Its first node.
        values
            Its complex factors at the nodes, shape (2, n): of the positive frequency, and the
            conjugate ones of the negative.
        """
        position = hz * self._size / self._rate
        low = math.floor(position) - LOBE + 1
        shape = _lobe_from(low - position, self._size)
        up, down = values[0], values[1].conj()
        middle = self._size // 2
        last = first + values.shape[1]
        above = self._bins[middle + low : middle + low + 2 * LOBE, first:last].view(np.float32)
        above += shape * up.view(np.float32)
        top = middle - low + 1
        below = self._bins[top - 2 * LOBE : top, first:last].view(np.float32)
        below += shape[::-1] * down.view(np.float32)

    def add_moving(self, hz: FloatArray, first: int, values: Complex64) -> None:
        """Add a sine whose frequency moves: `hz` at every node; else as `add`."""
        position = hz * self._size / self._rate
        low = np.floor(position).astype(np.int64) - LOBE + 1
        nodes = first + np.arange(hz.size)
        middle = self._size // 2
        for bin_ in range(2 * LOBE):
            shape = _lobe(low + bin_ - position, self._size)
            self._bins[middle + low + bin_, nodes] += shape * values[0]
            self._bins[middle - low - bin_, nodes] += shape * values[1].conj()

    def sound(self) -> Complex64:
        """Give the sound from the first node to the last; shape (hop * (nodes - 1),)."""
        frames = np.fft.ifft(self._bins, axis=0)
        leaving, arriving = _crossing(self._hop)
        crossed = frames[: self._hop, :-1] * leaving
        crossed += frames[-self._hop :, 1:] * arriving
        return np.asarray(np.ascontiguousarray(crossed.T).reshape(-1), dtype=np.complex64)


@lru_cache(maxsize=4096)
def _lobe_from(first: float, size: int) -> Single:
    """Give the window's transform over its main lobe, shape (2 * LOBE, 1)."""
    return _lobe(first + np.arange(2 * LOBE), size)[:, np.newaxis]


def _lobe(bins: npt.NDArray[np.floating[Any]], size: int) -> Single:
    """Give the window's transform at some distances from its middle, in bins.

    A cosine of order n puts half its weight n bins up and half n bins down. Whole distances, where
    a quotient would be 0 / 0, are moved by next to nothing.
    """
    orders = np.arange(1 - len(WINDOW), len(WINDOW))
    weights = 0.5 * np.array(WINDOW)[np.abs(orders)] * (-1.0) ** orders
    weights[orders == 0] *= 2.0
    away = np.where(bins == np.rint(bins), bins + NEXT_TO_NOTHING, bins)[..., np.newaxis]
    quotients = np.sum(weights / np.tan(np.pi / size * (away + orders)), axis=-1)
    return np.asarray(np.sin(np.pi * away[..., 0]) * quotients, dtype=np.float32)


def _crossing(hop: int) -> tuple[Single, Single]:
    """Give what turns a frame's second and first part into a straight fade, shape (hop, 1).

    The bins start at the lowest frequency instead of 0, which turns every other sample round.
    """
    after = np.arange(hop) / hop
    sign = 1.0 - 2.0 * (np.arange(hop) % 2)
    leaving = sign * (1.0 - after) / _window(after / OVERLAP)
    arriving = sign * after / _window((1.0 - after) / OVERLAP)
    return leaving.astype(np.float32)[:, np.newaxis], arriving.astype(np.float32)[:, np.newaxis]


def _window(distance: FloatArray) -> FloatArray:
    """Give the frames' window at some distances from its middle, in frames."""
    angle = 2.0 * np.pi * distance
    return np.asarray(sum(weight * np.cos(order * angle) for order, weight in enumerate(WINDOW)))

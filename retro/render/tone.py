"""Tones of a few partials whose envelope is exactly the one that is drawn.

Adding partials to a sine makes its envelope ripple once a period, and every onset that is read
from the sound is off by that ripple. So the partials of a `Timbre` are those of a sine whose phase
an all-pass function bends: with ``z = exp(i phase)``,

``z (z**k - a) / (1 - a z**k) = -a z + (1 - a**2) (z**(1+k) + a z**(1+2k) + a**2 z**(1+3k) ...)``

has magnitude 1 for every phase (an all-pass is flat) and no partial below the first. ``a`` is the
amplitude of the fundamental and ``k`` the distance of the partials. The series is cut after 12 to
18 partials, which leaves a ripple of at most 0.13 dB; no partial lies above 0.45 of the rate, and
where a series has no room below it the tone is the plain sine.

Conventions
-----------
Times are seconds, phases radians. A tone is made in blocks of `BLOCK` frames: amplitude and phase
are computed at the blocks' edges (the *nodes*) and pass linearly from one to the next, so that a
block is a product of two matrices, nodes times waves. Sound is (2, frames), left before right.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from retro.model.instruments import Player

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
IntArray = npt.NDArray[np.int64]
Sound32 = npt.NDArray[np.float32]

BLOCK = 64
"""Frames in a block: 1.3 ms at 48 kHz."""

BEND_BLOCK = 8
"""Frames in a block of a tone whose pitch moves."""

CHUNK_BLOCKS = 2048
"""Blocks that are computed at once; bounds the memory of a long tone."""

TOP_OF_RATE = 0.45
"""Highest partial as a share of the frame rate."""

DARK_DB = 6.0
"""How far a tone falls until only its fundamental is left."""


@dataclass(frozen=True, slots=True)
class Timbre:
    """What a family sounds like.

    Parameters
    ----------
    step
        Distance of the partials: 1 gives 1, 2, 3 ...; 2 gives 1, 3, 5 ...
    fundamental
        Amplitude of the fundamental, 0 to 1, where the whole tone has 1.
    count
        Number of partials; 1 is the plain sine.
    """

    step: int = 1
    fundamental: float = 1.0
    count: int = 1

    def numbers(self) -> IntArray:
        """Give the partials' numbers, 1 first."""
        return 1 + self.step * np.arange(self.count)

    def amplitudes(self) -> FloatArray:
        """Give the partials' amplitudes; their signs keep the envelope flat."""
        a = self.fundamental
        upper = -(1.0 - a * a) * a ** np.arange(self.count - 1)
        return np.concatenate(([a], upper))


SINE = Timbre()

TIMBRES: dict[str, Timbre] = {
    "woodwind": Timbre(step=2, fundamental=0.65, count=12),
    "brass": Timbre(step=1, fundamental=0.75, count=18),
    "strings": Timbre(step=1, fundamental=0.63, count=14),
    "voice": Timbre(step=1, fundamental=0.63, count=14),
    "percussion": Timbre(step=3, fundamental=0.63, count=14),
    "plucked": Timbre(step=2, fundamental=0.63, count=14),
    "keyboard": Timbre(step=3, fundamental=0.63, count=14),
}
"""By family; our own choice: reeds have the odd partials, brass is brighter than strings, what is
struck rings with every second or third, and what is not here is a sine."""


def timbre_of(player: Player, highest_hz: float, rate: int) -> Timbre:
    """Give the player's timbre, or the sine where its partials have no room below the limit.

    Flutes are near enough to sines (common practice in teaching acoustics) to be left as such.
    """
    instrument = player.instrument
    if "flute" in instrument.id or instrument.id == "piccolo":
        return SINE
    timbre = TIMBRES.get(instrument.family, SINE)
    top_hz = float(timbre.numbers()[-1]) * highest_hz
    return timbre if top_hz <= TOP_OF_RATE * rate else SINE


def brightness_at(shape: FloatArray) -> FloatArray:
    """Share of the upper partials at an envelope's amplitude (1 at full level).

    They are gone `DARK_DB` below full: what a room gives back is darker than what it gets, and at
    the thresholds by which an onset is perceived the tone is a plain sine.
    """
    down_db = -20.0 * np.log10(np.maximum(shape, 1e-6))
    return np.asarray(np.clip(1.0 - down_db / DARK_DB, 0.0, 1.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Nodes:
    """A tone at the edges of its blocks.

    Parameters
    ----------
    block
        Frames from node to node.
    amplitude
        Of the whole tone, shape (nodes,).
    brightness
        Share of the upper partials, 0 (sine) to 1 (the whole timbre), shape (nodes,).
    phase
        Of the fundamental, shape (nodes,).
    radians_per_frame
        The fundamental's usual advance; the phases may wander around it.
    """

    block: int
    amplitude: FloatArray
    brightness: FloatArray
    phase: FloatArray
    radians_per_frame: float


def sound_of(nodes: Nodes, timbre: Timbre, channels: ComplexArray) -> Sound32:
    """Give a tone's sound.

    Parameters
    ----------
    nodes
        The tone, n + 1 nodes for n blocks.
    timbre
        Its partials.
    channels
        Amplitude and phase in every channel, as complex factors, shape (channels,).

    Returns
    -------
    numpy.ndarray
        float32, shape (channels, n * block).
    """
    amplitudes, numbers = timbre.amplitudes(), timbre.numbers()
    turn = np.exp(1j * nodes.phase)
    upper_power = float(np.sum(amplitudes[1:] ** 2))
    fundamental = np.sqrt(1.0 - nodes.brightness**2 * upper_power) if timbre.count > 1 else 1.0
    base = (nodes.amplitude * fundamental * turn)[:, np.newaxis]
    sound = _sum(base, numbers[:1], nodes, channels)
    bright = np.flatnonzero(nodes.brightness > 0.0)
    if timbre.count > 1 and bright.size:
        first = max(int(bright[0]) - 1, 0)
        last = min(int(bright[-1]) + 1, nodes.phase.size - 1)
        part = slice(first, last + 1)
        step = turn[part, np.newaxis] ** timbre.step
        strength = (nodes.amplitude * nodes.brightness * turn)[part, np.newaxis]
        upper = strength * amplitudes[1:] * step ** np.arange(1, timbre.count)
        sound[:, first * nodes.block : last * nodes.block] += _sum(
            upper, numbers[1:], nodes, channels
        )
    return sound


def _sum(values: ComplexArray, numbers: IntArray, nodes: Nodes, channels: ComplexArray) -> Sound32:
    """Sum partials given by their complex values at the nodes, shape (nodes, partials)."""
    block = nodes.block
    advance = nodes.radians_per_frame * numbers.astype(np.float64)
    waves = _waves(advance, block)
    arriving = values[1:] * np.exp(-1j * advance * block)
    edges = np.concatenate((values[:-1], arriving), axis=1)
    sound = np.empty((channels.size, edges.shape[0], block), dtype=np.float32)
    for start in range(0, edges.shape[0], CHUNK_BLOCKS):
        chunk = edges[start : start + CHUNK_BLOCKS]
        rows = (channels[:, None, None] * chunk).astype(np.complex64).view(np.float32)
        np.matmul(rows, waves, out=sound[:, start : start + CHUNK_BLOCKS])
    return sound.reshape(channels.size, -1)


def _waves(advance: FloatArray, block: int) -> Sound32:
    """Give each partial's wave over a block, leaving one node and arriving at the next.

    Rows are in the order of a complex view: real, imaginary, for every partial that leaves and
    then for every one that arrives; shape (4 * partials, block).
    """
    frame = np.arange(block)
    wave = np.exp(1j * advance[:, np.newaxis] * frame)
    faded = np.concatenate((wave * (1.0 - frame / block), wave * (frame / block)))
    return np.stack((faded.real, -faded.imag), axis=1).reshape(-1, block).astype(np.float32)

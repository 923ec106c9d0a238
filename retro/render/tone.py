"""Tones of a few partials whose envelope is nearly the one that is drawn.

Adding partials to a sine makes its envelope ripple once a period, and every onset that is read
from the sound is off by that ripple. So the partials of a `Timbre` are those of a sine whose phase
an all-pass function bends: with ``z = exp(i phase)``,

``z (z**k - a) / (1 - a z**k) = -a z + (1 - a**2) (z**(1+k) + a z**(1+2k) + a**2 z**(1+3k) ...)``

has magnitude 1 for every phase (an all-pass is flat) and no partial below the first. ``a`` is the
amplitude of the fundamental and ``k`` the distance of the partials. The series is cut after 10 to
12 partials, which leaves a ripple of at most 0.3 dB; no partial lies above 0.45 of the rate, and
where a series has no room below it the tone is the plain sine.

Conventions
-----------
Times are seconds, phases radians. Amplitudes are those of the nodes of `retro.render.spectrum`.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from retro.model.instruments import Player
from retro.render.spectrum import Complex64, Single, Spectrum, carrier, hop_at

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
IntArray = npt.NDArray[np.int64]

TOP_OF_RATE = 0.45
"""Highest partial as a share of the frame rate."""

DARK = 0.5
"""Amplitude beside full level at which only a tone's fundamental is left."""


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
    "woodwind": Timbre(step=2, fundamental=0.65, count=10),
    "brass": Timbre(step=1, fundamental=0.7, count=12),
    "strings": Timbre(step=1, fundamental=0.63, count=10),
    "voice": Timbre(step=1, fundamental=0.63, count=10),
    "percussion": Timbre(step=3, fundamental=0.63, count=10),
    "plucked": Timbre(step=2, fundamental=0.63, count=10),
    "keyboard": Timbre(step=3, fundamental=0.63, count=10),
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


def brightness_at(shape: Single) -> Single:
    """Share of the upper partials at an envelope's amplitude (1 at full level).

    They are gone 6 dB below full: what a room gives back is darker than what it gets, and at the
    thresholds by which an onset is perceived the tone is a plain sine.
    """
    return np.asarray(np.clip((shape - DARK) / (1.0 - DARK), 0.0, 1.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Colour:
    """What tones of a player have in common.

    Parameters
    ----------
    timbre
        Their partials.
    upper_power
        Share of the power that the upper partials have.
    factors
        Complex factors of every partial: of its positive and, conjugate, of its negative
        frequency; shape (partials, 2, 1). The fundamental's own strength is left to the tone,
        since it grows as the rest darkens.
    """

    timbre: Timbre
    upper_power: float
    factors: Complex64

    @classmethod
    def of(cls, timbre: Timbre, *, angle: float, turn: float, phase: float) -> "Colour":
        """Give a colour.

        Parameters
        ----------
        timbre
            Its partials.
        angle
            Place between left, 0, and right, a quarter of a circle, at constant power.
        turn
            Phase of left before the middle, and of right behind it.
        phase
            Phase of the fundamental.
        """
        upper = timbre.amplitudes()[1:]
        partials = np.concatenate(([1.0], upper)) * np.exp(1j * phase * timbre.numbers())
        left, right = np.cos(angle) * np.exp(1j * turn), np.sin(angle) * np.exp(-1j * turn)
        sides = np.array([0.5 * (left + 1j * right), 0.5 * (left - 1j * right)])
        factors = (partials[:, np.newaxis] * sides)[:, :, np.newaxis]
        return cls(
            timbre=timbre,
            upper_power=float(np.sum(upper * upper)),
            factors=factors.astype(np.complex64),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Bend:
    """How the frequency of a tone moves: its value and its phase at the tone's nodes."""

    hz: FloatArray
    turn: Complex64


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """A tone at its nodes.

    Parameters
    ----------
    hz
        Frequency of the fundamental.
    colour
        Timbre, place and phase.
    first
        Its first node.
    dark
        Complex amplitudes of the fundamental, shape (nodes,).
    bright_first, bright
        First node and amplitudes of the upper partials, which end before the fundamental.
    bend
        Where its frequency moves.
    """

    hz: float
    colour: Colour
    first: int
    dark: Complex64
    bright_first: int
    bright: Single
    bend: Bend | None

    @property
    def end(self) -> int:
        """The node after its last."""
        return self.first + self.dark.size

    @property
    def bright_end(self) -> int:
        """The node after the last of the upper partials."""
        return self.bright_first + self.bright.size


def sound_of(tones: Sequence[Tone], first: int, nodes: int, rate: int) -> Complex64:
    """Give the sound of some tones between two nodes.

    Parameters
    ----------
    tones
        Those that sound there.
    first, nodes
        The first node, and how many.
    rate
        Frames a second.

    Returns
    -------
    numpy.ndarray
        complex64, left + i right, shape (hop * (nodes - 1),).
    """
    spectrum = Spectrum(rate, nodes)
    window = (first, first + nodes)
    steady: dict[float, list[Tone]] = defaultdict(list)
    for tone in tones:
        if tone.bend is None:
            steady[tone.hz].append(tone)
        else:
            _add_bent(spectrum, tone, tone.bend, window)
    for hz, unison in steady.items():
        _add_unison(spectrum, hz, unison, window, rate)
    return spectrum.sound()


def _add_unison(
    spectrum: Spectrum, hz: float, tones: Sequence[Tone], window: tuple[int, int], rate: int
) -> None:
    """Add steady tones of one pitch: what has one frequency is gathered first."""
    start = max(min(tone.first for tone in tones), window[0])
    stop = min(max(tone.end for tone in tones), window[1])
    turn = carrier(hz, start, stop - start, hop_at(rate), rate)
    dark = np.zeros((1, 2, stop - start), dtype=np.complex64)
    bright: dict[Timbre, list[Tone]] = defaultdict(list)
    for tone in tones:
        _gather(dark, start, tone.colour.factors[:1], tone.first, tone.dark)
        if tone.bright_first < stop and tone.bright_end > start:
            bright[tone.colour.timbre].append(tone)
    spectrum.add(hz, start - window[0], dark[0] * turn)
    for timbre, some in bright.items():
        begin = max(min(tone.bright_first for tone in some), start)
        end = min(max(tone.bright_end for tone in some), stop)
        lines = np.zeros((timbre.count - 1, 2, end - begin), dtype=np.complex64)
        for tone in some:
            _gather(lines, begin, tone.colour.factors[1:], tone.bright_first, tone.bright)
        upper = turn[begin - start : end - start]
        step = upper**timbre.step
        for number, line in zip(timbre.numbers()[1:], lines, strict=True):
            upper = upper * step
            spectrum.add(float(number) * hz, begin - window[0], line * upper)


def _gather(
    lines: Complex64, start: int, factors: Complex64, first: int, values: Complex64 | Single
) -> None:
    """Add a tone's values to every line by its factors, as far as the lines go."""
    begin = max(first, start)
    end = min(first + values.size, start + lines.shape[2])
    if begin < end:
        lines[:, :, begin - start : end - start] += factors * values[begin - first : end - first]


def _add_bent(spectrum: Spectrum, tone: Tone, bend: Bend, window: tuple[int, int]) -> None:
    """Add a tone whose frequency moves, line by line."""
    numbers = tone.colour.timbre.numbers()
    for number, factor in zip(numbers, tone.colour.factors, strict=True):
        first, values = (tone.first, tone.dark) if number == 1 else (tone.bright_first, tone.bright)
        begin, end = max(first, window[0]), min(first + values.size, window[1])
        if begin < end:
            here = slice(begin - tone.first, end - tone.first)
            line = factor * values[begin - first : end - first] * bend.turn[here] ** int(number)
            spectrum.add_moving(float(number) * bend.hz[here], begin - window[0], line)

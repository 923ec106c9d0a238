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

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from retro.model.instruments import Player
from retro.render.spectrum import Complex64, ComplexArray, Single, Sinusoids, Spectrum

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

TOP_OF_RATE = 0.45
"""Highest partial as a share of the frame rate."""

FUNDAMENTAL_ALONE = 0.5
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
        """Return the partials' numbers, 1 first."""
        return 1 + self.step * np.arange(self.count)

    def amplitudes(self) -> FloatArray:
        """Return the partials' amplitudes; their signs keep the envelope flat."""
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
    """Return the player's timbre, or the sine where its partials have no room below the limit.

    Flutes are near enough to sines (common practice in teaching acoustics) to be left as such.
    """
    instrument = player.instrument
    if "flute" in instrument.id or instrument.id == "piccolo":
        return SINE
    timbre = TIMBRES.get(instrument.family, SINE)
    top_hz = float(timbre.numbers()[-1]) * highest_hz
    return timbre if top_hz <= TOP_OF_RATE * rate else SINE


def brightness_at(shape: Single) -> Single:
    """Share of the upper partials at an envelope's amplitude (1 at its own greatest).

    They are gone 6 dB below full: what a room gives back is darker than what it gets, and at the
    thresholds by which an onset is perceived the tone is a plain sine.
    """
    return np.asarray(np.clip((shape - FUNDAMENTAL_ALONE) / (1.0 - FUNDAMENTAL_ALONE), 0.0, 1.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Bend:
    """How the frequency of a tone moves: its value and its phase at the tone's nodes."""

    hz: FloatArray
    turn: Complex64


@dataclass(frozen=True, slots=True, kw_only=True)
class Colour:
    """What the tones of one player and pitch have in common.

    Parameters
    ----------
    hz
        Frequency of the fundamental.
    timbre
        Their partials.
    factors
        Complex factors of every partial: of its positive and, conjugate, of its negative
        frequency; shape (partials, 2). The fundamental's own strength is left to the tone, since
        it grows as the rest darkens.
    """

    hz: float
    timbre: Timbre
    factors: ComplexArray

    @classmethod
    def of(cls, hz: float, timbre: Timbre, *, angle: float, turn: float, phase: float) -> "Colour":
        """Return a colour.

        Parameters
        ----------
        hz
            Frequency of the fundamental.
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
        return cls(hz=hz, timbre=timbre, factors=np.multiply.outer(partials, sides))


@dataclass(frozen=True, slots=True, kw_only=True)
class Partials:
    """The partials of some groups of tones as arrays; what is padded has factor 0.

    Parameters
    ----------
    sinusoids
        One for each frequency that any partial has.
    offsets
        Where the colours of every group begin, shape (groups,).
    upper
        Number of upper partials, shape (colours,).
    line, factors
        Sinusoid and factors of every partial: (colours, partials) and (colours, partials, 2).
    """

    sinusoids: Sinusoids
    offsets: tuple[int, ...]
    upper: IntArray
    line: IntArray
    factors: ComplexArray

    @classmethod
    def of(cls, groups: Sequence[Sequence[Colour]], rate: int, nodes: int) -> "Partials":
        """Return the partials of some groups of colours, for spectra of so many nodes."""
        colours = [colour for group in groups for colour in group]
        counts = np.array([colour.timbre.count for colour in colours], dtype=np.int64)
        hz = np.zeros((len(colours), max(counts, default=0)))
        factors = np.zeros((*hz.shape, 2), dtype=np.complex128)
        for own_hz, own_factors, count, colour in zip(hz, factors, counts, colours, strict=True):
            own_hz[:count] = colour.hz * colour.timbre.numbers()
            own_factors[:count] = colour.factors
        distinct_hz, line = np.unique(hz, return_inverse=True)
        offsets = np.cumsum([0, *(len(group) for group in groups)])[:-1]
        return cls(
            sinusoids=Sinusoids.of(distinct_hz, rate, nodes),
            offsets=tuple(offsets.tolist()),
            upper=counts - 1,
            line=line.reshape(hz.shape),
            factors=factors,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Steady:
    """Tones that keep their pitch, at the nodes of a spectrum.

    Parameters
    ----------
    colour
        Which of its group's colours every tone has, shape (tones,).
    fundamental
        Complex amplitudes of the fundamentals, shape (tones, nodes).
    with_upper
        The tones whose upper partials sound, shape (with_upper,).
    upper
        Amplitudes of their upper partials, shape (with_upper, nodes).
    """

    colour: IntArray
    fundamental: Complex64
    with_upper: IntArray
    upper: Single

    @classmethod
    def none(cls, nodes: int) -> "Steady":
        """Return no tones at all."""
        no = np.zeros(0, dtype=np.int64)
        upper = np.zeros((0, nodes), dtype=np.float32)
        return cls(colour=no, fundamental=upper.astype(np.complex64), with_upper=no, upper=upper)

    def only(self, chosen: npt.NDArray[np.bool_]) -> "Steady":
        """Return those tones that are chosen, by an array of shape (tones,)."""
        with_upper = chosen[self.with_upper]
        return Steady(
            colour=self.colour[chosen],
            fundamental=self.fundamental[chosen],
            with_upper=(np.cumsum(chosen) - 1)[self.with_upper[with_upper]],
            upper=self.upper[with_upper],
        )


def add_steady(
    spectrum: Spectrum, partials: Partials, first: int, groups: Sequence[Steady]
) -> None:
    """Add groups of steady tones, whose colours are those of `partials`, to a spectrum.

    The spectrum begins at the node `first` of the timeline.
    """
    own = [group.colour + at for group, at in zip(groups, partials.offsets, strict=True)]
    with_upper = [colour[group.with_upper] for group, colour in zip(groups, own, strict=True)]
    colour = np.concatenate((*own, *with_upper))
    fundamentals = sum(group.colour.size for group in groups)
    # A row of amplitudes is a fundamental's, or that of all upper partials of a tone.
    counts = partials.upper[colour]
    counts[:fundamentals] = 1
    row = np.repeat(np.arange(colour.size), counts)
    partial = np.arange(row.size) - (np.cumsum(counts) - counts)[row]
    partial[fundamentals:] += 1
    line = partials.line[colour[row], partial]
    turned = partials.sinusoids.phase_factors(line, first)[:, np.newaxis]
    spectrum.add(
        partials.sinusoids,
        np.concatenate(
            (*(group.fundamental for group in groups), *(group.upper for group in groups))
        ),
        row=row,
        line=line,
        factors=partials.factors[colour[row], partial] * turned,
    )


def add_bent(
    spectrum: Spectrum, colour: Colour, bend: Bend, *, fundamental: Complex64, upper: Single
) -> None:
    """Add a tone whose frequency moves to a spectrum, partial by partial.

    `bend` has its frequency and phase at the spectrum's nodes, `fundamental` and `upper` the
    amplitudes there, shape (nodes,), of the fundamental and of the upper partials.
    """
    for number, factor in zip(colour.timbre.numbers(), colour.factors, strict=True):
        values = fundamental if number == 1 else upper
        sounding = np.flatnonzero(values)
        if not sounding.size:
            return
        here = slice(int(sounding[0]), int(sounding[-1]) + 1)
        line = np.multiply.outer(factor, values[here] * bend.turn[here] ** int(number))
        spectrum.add_moving(float(number) * bend.hz[here], here.start, line)

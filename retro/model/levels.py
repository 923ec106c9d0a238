"""The level of a part over time: volume, expression and intensity as functions of seconds.

A controller is a staircase; heard as such it clicks. So every value is the mean over a short time
around its instant, which moves nothing: the staircase read backwards gives the same curve read
backwards.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from retro.model.phrase import EXPRESSION, MODULATION, VOLUME, Part, Phrase
from retro.model.sound import FloatArray
from retro.model.time import Steps, TempoMap
from retro.units import db_to_amplitude, velocity_to_db

SMOOTHING_S = 0.02
"""The time over which a staircase is averaged."""

AROUND_S = np.array((0.5 * SMOOTHING_S, -0.5 * SMOOTHING_S))
"""From an instant to the end of that time, and to its beginning."""

MODULATION_RANGE_DB = 24.0
"""What the modulation wheel spans as intensity, from 0 to 127 (common practice: sampled
instruments cross from their softest to their loudest recordings)."""


@dataclass(frozen=True, slots=True)
class Clock:
    """A tempo map as two arrays: the beats at which the tempo changes, and their seconds."""

    beats: FloatArray
    seconds: FloatArray

    @classmethod
    def of(cls, tempo: TempoMap) -> "Clock":
        """Return the clock of a tempo map."""
        beats = [*tempo.us_per_quarter.starts, tempo.length_beats]
        seconds = [float(tempo.seconds_at(at)) for at in beats]
        return cls(np.array(beats, dtype=float), np.array(seconds))

    def seconds_at(self, beats: Sequence[Fraction]) -> FloatArray:
        """Return the seconds of some beats."""
        return np.asarray(np.interp(np.array(beats, dtype=float), self.beats, self.seconds))


@dataclass(frozen=True, slots=True)
class Curve:
    """A staircase over seconds, smoothed.

    Parameters
    ----------
    edges_s
        Where the stairs begin, and where the last ends.
    integral
        Integral of the staircase up to each edge.
    first, last
        Values beyond the ends.
    is_level
        Whether all values are one.
    """

    edges_s: FloatArray
    integral: FloatArray
    first: float
    last: float
    is_level: bool

    @classmethod
    def of(cls, steps: Steps[int], clock: Clock, value: Callable[[int], float]) -> "Curve":
        """Return the curve of a step function in beats, its values turned by `value`."""
        edges_s = clock.seconds_at((*steps.starts, steps.length))
        value_of = {step: value(step) for step in set(steps.values)}
        values = np.array([value_of[step] for step in steps.values])
        integral = np.concatenate(([0.0], np.cumsum(values * np.diff(edges_s))))
        return cls(
            edges_s, integral, float(values[0]), float(values[-1]), is_level=len(value_of) == 1
        )

    def at(self, t_s: FloatArray) -> FloatArray:
        """Smoothed values at some instants."""
        if self.is_level:
            return np.full(t_s.shape, self.first)
        later, earlier = self._integral_at(np.add.outer(AROUND_S, t_s))
        return np.asarray((later - earlier) / SMOOTHING_S)

    def _integral_at(self, t_s: FloatArray) -> FloatArray:
        inside = np.interp(t_s, self.edges_s, self.integral)
        before = np.minimum(t_s - self.edges_s[0], 0.0) * self.first
        after = np.maximum(t_s - self.edges_s[-1], 0.0) * self.last
        return np.asarray(inside + before + after)


def controller_amplitude(value: int) -> float:
    """Amplitude of a volume or expression value; 0 is silence.

    Source: the square law that General MIDI recommends for controllers 7 and 11 (from memory).
    """
    return db_to_amplitude(velocity_to_db(value)) if value > 0 else 0.0


def modulation_amplitude(value: int) -> float:
    """Amplitude of a modulation value that is used as intensity."""
    return db_to_amplitude(MODULATION_RANGE_DB * (value / 127.0 - 1.0))


def loudness_curves(part: Part, clock: Clock) -> tuple[Curve, ...]:
    """Return the curves whose product is the part's amplitude over its notes' own.

    Expression and volume where the part has either, else modulation as intensity.
    """
    stated = [part.controller(number) for number in (EXPRESSION, VOLUME)]
    curves = [Curve.of(steps, clock, controller_amplitude) for steps in stated if steps]
    modulation = part.controller(MODULATION)
    if not curves and modulation:
        curves.append(Curve.of(modulation, clock, modulation_amplitude))
    return tuple(curves)


@dataclass(frozen=True, slots=True)
class LevelsOfTones:
    """The levels of some tones: (rows, curves) of each part that has curves."""

    by_part: tuple[tuple[npt.NDArray[np.int64], tuple[Curve, ...]], ...]

    def energy(self, t_s: FloatArray) -> FloatArray:
        """Return the energy of the tones at instants, 1 where nothing is turned down.

        Parameters
        ----------
        t_s
            Instants, shape (tones,) or (tones, instants); the result has its shape.
        """
        energy = np.ones(t_s.shape)
        for rows, curves in self.by_part:
            there_s = t_s[rows]
            here = np.ones(there_s.shape)
            for curve in curves:
                here *= (
                    curve.first * curve.first if curve.is_level else np.square(curve.at(there_s))
                )
            energy[rows] = here
        return energy


@dataclass(frozen=True, slots=True)
class Levels:
    """The loudness curves of every part of a phrase, on its own time."""

    curves: tuple[tuple[Curve, ...], ...]

    @classmethod
    def of(cls, phrase: Phrase) -> "Levels":
        """Return the levels of a phrase."""
        clock = Clock.of(phrase.tempo)
        return cls(tuple(loudness_curves(part, clock) for part in phrase.parts))

    def of_tones(self, part: npt.NDArray[np.int64]) -> LevelsOfTones:
        """Return the levels of tones of some parts, shape (tones,)."""
        rows = ((np.flatnonzero(part == index), curves) for index, curves in enumerate(self.curves))
        return LevelsOfTones(tuple((own, curves) for own, curves in rows if curves and own.size))

"""The level of a part over time: volume, expression and intensity as functions of seconds.

A controller is a staircase; heard as such it clicks. So every value is the mean over a short time
around its instant, which moves nothing: the staircase read backwards gives the same curve read
backwards.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate, pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from retro.model.phrase import EXPRESSION, MODULATION, VOLUME, Part, Phrase
from retro.model.sound import FloatArray
from retro.model.time import Steps, TempoMap
from retro.units import db_to_amplitude, velocity_to_db

IntArray = npt.NDArray[np.int64]

SMOOTHING_S = 0.02
"""The time over which a staircase is averaged."""

AROUND_S = np.array((0.5 * SMOOTHING_S, -0.5 * SMOOTHING_S))
"""From an instant to the end of that time, and to its beginning."""

FEW_INSTANTS = 4
"""So few instants of each tone are looked up together."""

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
        around_s = np.add.outer(AROUND_S, t_s)
        return _smoothed(around_s, self.integral_at(around_s), self.ends)

    @property
    def ends(self) -> tuple[float, float, float, float]:
        """Where it begins and ends, and its values beyond."""
        return float(self.edges_s[0]), float(self.edges_s[-1]), self.first, self.last

    def integral_at(self, t_s: FloatArray) -> FloatArray:
        """Return the integral up to some instants, which stays as it is beyond the ends."""
        return np.asarray(np.interp(t_s, self.edges_s, self.integral))


def _smoothed(
    around_s: FloatArray, inside: FloatArray, ends: Iterable[FloatArray | float]
) -> FloatArray:
    """Return means over the time around instants.

    Parameters
    ----------
    around_s
        The end and the beginning of that time, shape (2, ...).
    inside
        Integrals up to there.
    ends
        See `Curve.ends`; they broadcast.
    """
    start_s, end_s, first, last = ends
    before = np.minimum(around_s - start_s, 0.0) * first
    after = np.maximum(around_s - end_s, 0.0) * last
    later, earlier = inside + before + after
    return np.asarray((later - earlier) / SMOOTHING_S)


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
class _Integrals:
    """Integrals of several curves as one table, for few instants of many rows.

    Parameters
    ----------
    edges_s, integral, slope
        Of all curves, one after the other: where stairs begin, the integral there, the stair.
    line_s
        `edges_s` of all curves on one line, where the curves follow each other.
    first, last
        Where the curve of every row has its first and its last stair, shape (rows, 1).
    start_s, end_s, shift_s
        Where it begins and ends, and how far it stands from its own place on the line.
    """

    edges_s: FloatArray
    integral: FloatArray
    slope: FloatArray
    line_s: FloatArray
    first: IntArray
    last: IntArray
    start_s: FloatArray
    end_s: FloatArray
    shift_s: FloatArray

    @classmethod
    def of(cls, curves: Sequence[Curve], sizes: Sequence[int]) -> "_Integrals":
        """Return the table of some curves, each for so many rows."""
        counts = np.array([curve.edges_s.size for curve in curves])
        firsts = np.concatenate(([0], np.cumsum(counts)[:-1]))
        starts_s, ends_s = np.array([curve.ends[:2] for curve in curves]).T
        shifts_s = np.cumsum(ends_s - starts_s + 1.0) - ends_s
        edges_s = np.concatenate([curve.edges_s for curve in curves])
        integral = np.concatenate([curve.integral for curve in curves])
        lengths_s = np.diff(edges_s, append=edges_s[-1])
        slope = np.zeros(edges_s.shape)
        np.divide(np.diff(integral, append=0.0), lengths_s, out=slope, where=lengths_s > 0.0)

        def of_rows(values: Sequence[float] | FloatArray | IntArray) -> Any:
            return np.repeat(values, sizes)[:, np.newaxis]

        return cls(
            edges_s,
            integral,
            slope,
            edges_s + np.repeat(shifts_s, counts),
            of_rows(firsts),
            of_rows(firsts + counts - 2),
            of_rows(starts_s),
            of_rows(ends_s),
            of_rows(shifts_s),
        )

    def at(self, t_s: FloatArray) -> FloatArray:
        """Return the integral of every row's curve at instants, shape (..., rows, instants)."""
        inside_s = np.minimum(np.maximum(t_s, self.start_s), self.end_s)
        stair = np.searchsorted(self.line_s, inside_s + self.shift_s, side="right") - 1
        stair = np.minimum(np.maximum(stair, self.first), self.last)
        return np.asarray(
            self.slope[stair] * (inside_s - self.edges_s[stair]) + self.integral[stair]
        )


@dataclass(frozen=True, slots=True)
class _MovingCurves:
    """Curves that move, read together: each with its place in `rows`, the tones that they are for.

    `ends` are the `Curve.ends` of the curve of every row, shape (4, rows, 1). For many instants
    each curve is read by itself, for few all by one table, for calls would take the most time.
    """

    rows: IntArray
    curves: tuple[tuple[slice, Curve], ...]
    integrals: _Integrals
    ends: FloatArray

    @classmethod
    def of(cls, pairs: Sequence[tuple[IntArray, Curve]]) -> "_MovingCurves":
        """Return curves, each for some rows."""
        sizes = [rows.size for rows, _ in pairs]
        stops = list(accumulate(sizes))
        slices = [slice(a, b) for a, b in pairwise((0, *stops))]
        ends = np.array([curve.ends for _, curve in pairs])
        return cls(
            np.concatenate([rows for rows, _ in pairs]),
            tuple((own, curve) for own, (_, curve) in zip(slices, pairs, strict=True)),
            _Integrals.of([curve for _, curve in pairs], sizes),
            np.repeat(ends, sizes, axis=0).T[..., np.newaxis],
        )

    def at(self, t_s: FloatArray) -> FloatArray:
        """Smoothed values at instants of all tones, for `rows`."""
        around_s = np.add.outer(AROUND_S, t_s[self.rows])
        if t_s.shape[-1] <= FEW_INSTANTS:
            return _smoothed(around_s, self.integrals.at(around_s), self.ends)
        inside = np.empty(around_s.shape)
        for own, curve in self.curves:
            inside[:, own] = curve.integral_at(around_s[:, own])
        return _smoothed(around_s, inside, self.ends)


@dataclass(frozen=True, slots=True)
class LevelsOfTones:
    """The levels of some tones.

    Curves that do not move make `still` of the energy of every tone, shape (tones, 1); `moving` are
    those that move: the first of every tone, the second, and so on.
    """

    still: FloatArray
    moving: tuple[_MovingCurves, ...]

    @classmethod
    def of(cls, curves: Sequence[Sequence[Curve]], part: IntArray) -> "LevelsOfTones":
        """Return the levels of tones by the curves of all parts."""
        still = np.ones((part.size, 1))
        moving: dict[int, list[tuple[IntArray, Curve]]] = defaultdict(list)
        for index, own in enumerate(curves):
            rows = np.flatnonzero(part == index)
            if not rows.size:
                continue
            for curve in own:
                if curve.is_level:
                    still[rows] *= curve.first * curve.first
            for number, curve in enumerate(curve for curve in own if not curve.is_level):
                moving[number].append((rows, curve))
        return cls(still, tuple(_MovingCurves.of(pairs) for pairs in moving.values()))

    def energy(self, t_s: FloatArray) -> FloatArray:
        """Return the energy of the tones at instants, 1 where nothing is turned down.

        Parameters
        ----------
        t_s
            Instants, shape (tones, instants); the result has its shape.
        """
        energy = np.empty(t_s.shape)
        energy[:] = self.still
        for curves in self.moving:
            energy[curves.rows] *= np.square(curves.at(t_s))
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

    def of_tones(self, part: IntArray) -> LevelsOfTones:
        """Return the levels of tones of some parts, shape (tones,)."""
        return LevelsOfTones.of(self.curves, part)

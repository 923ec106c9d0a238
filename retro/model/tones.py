"""Tones as a whole, from the first sound to the last, and where they cross a threshold.

A tone rises, follows its part's level while it is held, and falls with its room
(`retro.model.sound`). What is drawn, what is rendered and what the plan states are this energy.

Conventions
-----------
Times are seconds of one timeline, on which tones are played forwards. Arrays of tones have shape
(tones,); what tones give at instants has shape (tones, instants), or (tones,) for one each.
Energies are ratios to a note's full level where nothing is turned down.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from retro.model.instruments import Sound
from retro.model.levels import SMOOTHING_S, Levels, LevelsOfTones
from retro.model.performance import Performance
from retro.model.sound import (
    FloatArray,
    Room,
    built_up,
    energy_after_release,
    energy_after_stroke,
    energy_while_held,
    risen,
)

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

_Law = Callable[[FloatArray], FloatArray]
"""Gives the energy of some tones by the seconds since their starts."""

GRID = np.linspace(0.0, 1.0, 97) ** 2
"""Where tones are looked at between start and end: densely while they rise."""

MIN_LOOK_S = 1.0
"""A struck tone is loudest within this, whatever its room (the slowest rooms fill by then)."""

HALVINGS = 9
CUTS = 8
"""Halvings of a bracket, and cuts after them: together below a nanosecond."""

MAX_FALL = 3.0
"""A bracket for the end of a tone holds this times 60 dB of its slowest decay."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tones:
    """Tones that begin at `start_s` and are stopped at `stop_s`.

    Parameters
    ----------
    part
        Index of each tone's part, for its level.
    start_s, stop_s
        The physical start and stop.
    attack_s, decay_s, damper_s
        The figures of each tone; `damper_s` is ``inf`` where nothing damps a struck tone.
    is_struck
        Whether it decays from its start on.
    levels
        The parts' levels on the same timeline. From the stop on a tone keeps the level that it
        had there: a room follows no fader.
    room
        The room of all of them.
    """

    part: IntArray
    start_s: FloatArray
    stop_s: FloatArray
    attack_s: FloatArray
    decay_s: FloatArray
    damper_s: FloatArray
    is_struck: BoolArray
    levels: Levels
    room: Room

    def only(self, some: IntArray | BoolArray) -> "Tones":
        """Return some of the tones."""
        return replace(
            self,
            part=self.part[some],
            start_s=self.start_s[some],
            stop_s=self.stop_s[some],
            attack_s=self.attack_s[some],
            decay_s=self.decay_s[some],
            damper_s=self.damper_s[some],
            is_struck=self.is_struck[some],
        )

    @classmethod
    def of(cls, performance: Performance) -> "Tones":
        """Return the tones of an exact performance, on insert time."""
        notes = performance.notes
        instruments = [performance.players[note.part].instrument for note in notes]
        dampers_s = [instrument.damper_s for instrument in instruments]
        return cls(
            part=np.array([note.part for note in notes], dtype=np.int64),
            start_s=np.array([note.played_on_s for note in notes]),
            stop_s=np.array([note.played_off_s for note in notes]),
            attack_s=np.array([note.attack_s for note in notes]),
            decay_s=np.array([note.decay_s for note in notes]),
            damper_s=np.array([math.inf if s is None else s for s in dampers_s], dtype=float),
            is_struck=np.array([i.sound is Sound.STRUCK for i in instruments], dtype=bool),
            levels=Levels.of(performance.insert),
            room=performance.settings.room,
        )

    @property
    def held_s(self) -> FloatArray:
        """Seconds from start to stop."""
        return np.maximum(self.stop_s - self.start_s, 0.0)

    @property
    def damping(self) -> tuple[FloatArray, FloatArray]:
        """After how many seconds every tone is damped (``inf``: never), and the damper's decay."""
        is_damped = np.isfinite(self.damper_s)
        return (
            np.where(is_damped, self.held_s, np.inf),
            np.where(is_damped, self.damper_s, 1.0),
        )

    def energy(self, t_s: FloatArray) -> FloatArray:
        """Return the energy of every tone at instants of its own, level included."""
        return Sounding.of(self).energy(t_s)


@dataclass(frozen=True, slots=True)
class Sounding:
    """Tones sorted out once, to be asked for their energy many times.

    `kinds` are (rows, law) of the struck ones and of the held ones, where there are any; `spans_s`
    their starts, and the stops up to which they follow their levels, shape (2, tones, 1).
    """

    tones: Tones
    kinds: tuple[tuple[IntArray | slice, _Law], ...]
    levels: LevelsOfTones
    spans_s: FloatArray

    @classmethod
    def of(cls, tones: Tones) -> "Sounding":
        """Sort tones out."""
        struck, held = np.flatnonzero(tones.is_struck), np.flatnonzero(~tones.is_struck)
        kinds = tuple(
            (slice(None) if rows.size == tones.part.size else rows, law(tones.only(rows)))
            for rows, law in ((struck, _struck), (held, _held))
            if rows.size
        )
        until_s = np.maximum(tones.stop_s, tones.start_s)
        spans_s = np.stack((tones.start_s, until_s))[..., np.newaxis]
        return cls(tones, kinds, tones.levels.of_tones(tones.part), spans_s)

    def energy(self, t_s: FloatArray) -> FloatArray:
        """Return the energy of every tone at instants of its own, level included."""
        start_s, stop_s = self.spans_s
        wide_s = t_s if t_s.ndim > 1 else t_s[:, np.newaxis]
        since_s = np.maximum(wide_s - start_s, 0.0)
        energy = self.levels.energy(np.minimum(wide_s, stop_s))
        for rows, law in self.kinds:
            energy[rows] *= law(since_s[rows])
        return energy.reshape(t_s.shape)


def _struck(tones: Tones) -> _Law:
    damped_at_s, damper_s = (each[:, np.newaxis] for each in tones.damping)
    attack_s, decay_s = tones.attack_s[:, np.newaxis], tones.decay_s[:, np.newaxis]

    def energy(since_s: FloatArray) -> FloatArray:
        fallen = energy_after_stroke(since_s, decay_s, damped_at_s, damper_s, tones.room)
        return np.asarray(risen(since_s, attack_s) * fallen)

    return energy


def _held(tones: Tones) -> _Law:
    held_s = tones.held_s[:, np.newaxis]
    attack_s, decay_s = tones.attack_s[:, np.newaxis], tones.decay_s[:, np.newaxis]
    filled = built_up(held_s, tones.room)

    def energy(since_s: FloatArray) -> FloatArray:
        up = energy_while_held(np.minimum(since_s, held_s), attack_s, tones.room)
        after_s = np.maximum(since_s - held_s, 0.0)
        down = energy_after_release(after_s, decay_s, tones.room, filled)
        return np.asarray(up * down)

    return energy


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossings:
    """Where tones first and last have the energy of a threshold; NaN where they never have."""

    first_s: FloatArray
    last_s: FloatArray


@dataclass(frozen=True, slots=True)
class Look:
    """Tones looked at from start to end.

    `t_s` and `energy`, instants of every tone and its energies there, have shape (tones, instants).
    """

    sounding: Sounding
    t_s: FloatArray
    energy: FloatArray

    @classmethod
    def at(cls, tones: Tones) -> "Look":
        """Return a look at some tones."""
        sounding = Sounding.of(tones)
        shortest_s = np.where(tones.is_struck, MIN_LOOK_S, 0.0)
        span_s = np.maximum(tones.held_s, shortest_s)
        t_s = tones.start_s[:, np.newaxis] + span_s[:, np.newaxis] * GRID
        return cls(sounding, t_s, sounding.energy(t_s))

    @property
    def greatest(self) -> FloatArray:
        """The greatest energy of every tone.

        A level is smoothed over the edges, so it is read beside them: else the level of the next
        note would stand for this one's.
        """
        tones, levels = self.sounding.tones, self.sounding.levels
        inside_s = np.minimum(0.5 * SMOOTHING_S, 0.25 * tones.held_s)
        first_s, last_s = tones.start_s + inside_s, tones.start_s + tones.held_s - inside_s
        t_s = np.minimum(self.t_s, (tones.start_s + tones.held_s)[:, np.newaxis])
        there = levels.energy(t_s)
        inside = levels.energy(np.clip(t_s, first_s[:, np.newaxis], last_s[:, np.newaxis]))
        shape = np.divide(self.energy, there, out=np.zeros_like(there), where=there > 0.0)
        return np.asarray((shape * inside).max(axis=1))

    def crossings(self, threshold: FloatArray) -> Crossings:
        """Return where the tones cross a threshold, an energy for each of them."""
        is_above = self.energy >= threshold[:, np.newaxis]
        is_heard = is_above.any(axis=1) & (threshold > 0.0)
        row, end = np.arange(threshold.size), self.t_s.shape[1] - 1
        first = is_above.argmax(axis=1)
        last = end - is_above[:, ::-1].argmax(axis=1)
        tones = self.sounding.tones
        tail_s = MAX_FALL * np.maximum(tones.decay_s, tones.room.reverberation_s)
        after_s = self.t_s[row, np.minimum(last + 1, end)] + np.where(last == end, tail_s, 0.0)
        found_s = self._between(
            np.stack((self.t_s[row, np.maximum(first - 1, 0)], after_s), axis=1),
            np.stack((self.t_s[row, first], self.t_s[row, last]), axis=1),
            threshold[:, np.newaxis],
        )
        first_s, last_s = np.where(is_heard, found_s.T, np.nan)
        return Crossings(first_s=first_s, last_s=last_s)

    def _between(
        self, below_s: FloatArray, above_s: FloatArray, threshold: FloatArray
    ) -> FloatArray:
        """Return where the tones cross between instants below the threshold and ones above it.

        Brackets have shape (tones, brackets) and are closed together. One is halved until the
        energy is nearly straight in it, and then cut by the straight line; a side that stays is
        weighed half (the Illinois rule), so that both close in.
        """
        below_s, above_s = below_s.copy(), above_s.copy()
        under = self.sounding.energy(below_s) - threshold
        over = self.sounding.energy(above_s) - threshold
        was_above = np.zeros(below_s.shape, dtype=bool)
        for step in range(HALVINGS + CUTS):
            weight: FloatArray | float = 0.5
            if step >= HALVINGS:
                is_cut = (under < 0.0) & (over > under)
                weight = np.divide(over, over - under, out=np.full(over.shape, 0.5), where=is_cut)
            middle_s = above_s + weight * (below_s - above_s)
            here = self.sounding.energy(middle_s) - threshold
            is_above = here >= 0.0
            again = is_above == was_above
            under = np.where(is_above, np.where(again, 0.5 * under, under), here)
            over = np.where(is_above, here, np.where(again, 0.5 * over, over))
            above_s = np.where(is_above, middle_s, above_s)
            below_s = np.where(is_above, below_s, middle_s)
            was_above = is_above
        return np.asarray(np.where(np.abs(over) < np.abs(under), above_s, below_s))

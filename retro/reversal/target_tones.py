"""The target's notes as arrays, and what is played and heard of each.

Conventions
-----------
Arrays have shape (notes,) in the order of (part, target note); times are seconds.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from retro.model.instruments import Player, Sound
from retro.model.levels import SMOOTHING_S, Levels
from retro.model.phrase import Phrase
from retro.model.settings import Settings
from retro.model.sound import FloatArray, Room
from retro.model.tones import GRID, BoolArray, IntArray, Tones
from retro.units import db_to_energy

EDGE_MARGIN_DB = 3.0
"""How far within the threshold the level of a note stands at an edge that is a moment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneFigures:
    """How the tones of one kind of performer rise and fall, in seconds."""

    attack_s: FloatArray
    decay_s: FloatArray

    def only(self, some: IntArray) -> "ToneFigures":
        """Return the figures of some notes."""
        return ToneFigures(attack_s=self.attack_s[some], decay_s=self.decay_s[some])


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetTones:
    """Every note of the target as arrays, with the figures that hold for it.

    `off_s` is where a note is meant to end, `stated_off_s` where the file ends it; `has_onset` and
    `has_landing` say whether the target is loud enough at its edges for them to be moments.
    """

    length_s: float
    part: IntArray
    pitch: IntArray
    velocity: IntArray
    on_s: FloatArray
    off_s: FloatArray
    stated_off_s: FloatArray
    sampler: ToneFigures
    people: ToneFigures
    damper_s: FloatArray
    is_struck: BoolArray
    lands_at_start: BoolArray
    has_onset: BoolArray
    has_landing: BoolArray
    levels: Levels

    @property
    def wanted_landing_s(self) -> FloatArray:
        """Where the listener shall hear the note land."""
        return np.where(self.lands_at_start, self.on_s, self.off_s)

    @property
    def wanted_onset_s(self) -> FloatArray:
        """Where the swell begins: as far before the landing as the note is long."""
        return np.where(self.lands_at_start, 2.0 * self.on_s - self.off_s, self.on_s)

    @property
    def is_shapeable(self) -> BoolArray:
        """Whether the player's stop shapes the heard onset."""
        can_be_stopped = np.isfinite(self.damper_s) & ~self.lands_at_start
        return np.asarray((~self.is_struck | can_be_stopped) & self.has_onset)

    def only(self, some: IntArray) -> "TargetTones":
        """Return some of the notes."""
        chosen: dict[str, Any] = {
            field.name: value[some]
            for field in fields(self)
            if isinstance(value := getattr(self, field.name), np.ndarray)
        }
        return replace(
            self, sampler=self.sampler.only(some), people=self.people.only(some), **chosen
        )

    def tones(self, start_s: FloatArray, stop_s: FloatArray, by: ToneFigures, room: Room) -> Tones:
        """Return what sounds when the notes are played from `start_s` to `stop_s`."""
        return Tones(
            part=self.part,
            start_s=start_s,
            stop_s=np.maximum(stop_s, start_s),
            attack_s=by.attack_s,
            decay_s=by.decay_s,
            damper_s=self.damper_s,
            is_struck=self.is_struck,
            levels=self.levels,
            room=room,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class StartsAndStops:
    """Start and stop of every note, on insert time in seconds."""

    start_s: FloatArray
    stop_s: FloatArray
    is_short: BoolArray


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardTimes:
    """What the listener hears of every note, on window time; NaN where it hears no moment."""

    audible_from_s: FloatArray
    onset_s: FloatArray
    full_s: FloatArray
    lands_s: FloatArray


def target_tones(
    target: Phrase,
    meant: Phrase,
    insert: Phrase,
    players: tuple[Player, ...],
    settings: Settings,
    *,
    at_start: Sequence[bool],
) -> TargetTones:
    """Return the notes of a target as arrays: as stated, and as they are meant to last.

    The levels of the insert, its mirror, hold while it is played. `at_start` says which notes land
    on their starts.
    """
    pairs = [
        (note, player)
        for part, player in zip(meant.parts, players, strict=True)
        for note in part.notes
    ]
    seconds_at = meant.tempo.seconds_at
    length_s = float(meant.length_s)
    part = np.array([i for i, part in enumerate(meant.parts) for _ in part.notes], dtype=int)
    on_s = np.array([float(seconds_at(note.on_beats)) for note, _ in pairs])
    off_s = np.array([float(seconds_at(note.off_beats)) for note, _ in pairs])
    levels = Levels.of(insert)
    has_onset, has_landing = _moments(
        levels, part, length_s - off_s, length_s - on_s, settings.onset_db
    )
    programs = [part.program for part in meant.parts for _ in part.notes]
    usual = [
        p.sampler_figures_s(n.pitch, n.velocity, float(held_s), program)
        for (n, p), program, held_s in zip(pairs, programs, off_s - on_s, strict=True)
    ]
    people = [(p.attack_s(n.pitch, n.velocity), p.decay_s(n.pitch)) for n, p in pairs]
    dampers_s = [player.instrument.damper_s for _, player in pairs]
    return TargetTones(
        length_s=length_s,
        part=part,
        pitch=np.array([note.pitch for note, _ in pairs], dtype=int),
        velocity=np.array([note.velocity for note, _ in pairs], dtype=int),
        on_s=on_s,
        off_s=off_s,
        stated_off_s=np.array(
            [float(seconds_at(note.off_beats)) for part in target.parts for note in part.notes]
        ),
        sampler=_figures(usual),
        people=_figures(people),
        damper_s=np.array([math.inf if s is None else s for s in dampers_s], dtype=float),
        is_struck=np.array([p.instrument.sound is Sound.STRUCK for _, p in pairs], dtype=bool),
        lands_at_start=np.array(at_start, dtype=bool),
        has_onset=has_onset,
        has_landing=has_landing,
        levels=levels,
    )


def _figures(pairs: Sequence[tuple[float, float]]) -> ToneFigures:
    attack_s, decay_s = np.array(pairs, dtype=float).reshape(-1, 2).T
    return ToneFigures(attack_s=attack_s, decay_s=decay_s)


def _moments(
    levels: Levels, part: IntArray, from_s: FloatArray, to_s: FloatArray, drop_db: float
) -> tuple[BoolArray, BoolArray]:
    """Return whether target notes are loud enough at their onset, and at their landing.

    Their spans are on insert time; a level is smoothed over the edges, so it is read beside them.
    Loud enough is within the threshold by a margin: closer to it the slow course of the level, and
    not the tone's rise or fall, would say where the threshold is crossed.
    """
    inside_s = np.minimum(0.5 * SMOOTHING_S, 0.25 * (to_s - from_s))
    from_s, to_s = from_s + inside_s, to_s - inside_s
    level = levels.of_tones(part).energy(
        from_s[:, np.newaxis] + (to_s - from_s)[:, np.newaxis] * GRID
    )
    least = level.max(axis=1, initial=0.0) * db_to_energy(EDGE_MARGIN_DB - drop_db)
    return (level[:, -1] >= least) & (least > 0.0), (level[:, 0] >= least) & (least > 0.0)

"""Where tones must start and stop so that they are heard as the target is, and what is heard.

Where no level moves, both follow from the rise and the fall of a tone. Where one does, they are
found by trying again from what is missed.

Conventions
-----------
Starts, stops and crossings are insert time, what is heard is window time, in seconds.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from retro.model.levels import SMOOTHING_S
from retro.model.settings import Compensate, Settings
from retro.model.sound import FloatArray, rise_s
from retro.model.tones import BoolArray, Crossings, IntArray, Look
from retro.reversal.target_tones import HeardTimes, StartsAndStops, TargetTones, ToneFigures
from retro.units import db_to_energy, velocity_to_db

MAX_TRIALS = 40
"""Trials for start and stop; where no level moves, the third hits."""

HIT_S = 1e-9
"""Miss that counts as none."""

MAX_RISE = 1.5
"""Longest rise in attacks that a start is moved by: enough for the wettest room."""

MIN_SLOPE = 0.1
"""Least that a step is taken to move what is heard."""

HEARD_TOGETHER_S = 1e-6
"""Apart by less, two moments are one."""

BLOCK_NOTES = 2_048
"""So many notes are looked at together: a look takes 7 kB of memory a note while it is made."""


def exact_starts_and_stops(
    notes: TargetTones, settings: Settings, *, trials: int = MAX_TRIALS
) -> StartsAndStops:
    """Find start and stop of every note, in so many trials at most."""
    wanted_start_s = notes.length_s - notes.wanted_landing_s
    wanted_stop_s = notes.length_s - notes.wanted_onset_s
    target_length_s = notes.off_s - notes.on_s
    rises_s = rise_s(settings.onset_db, notes.sampler.attack_s)
    moves_starts = settings.compensate.moves_starts
    start_s = wanted_start_s - rises_s if moves_starts else wanted_start_s
    if settings.compensate is Compensate.NONE:
        return StartsAndStops(
            start_s=notes.length_s - notes.stated_off_s,
            stop_s=wanted_stop_s,
            is_short=np.zeros(start_s.shape, dtype=bool),
        )
    is_moved = notes.is_shapeable & settings.compensate.moves_stops
    stop_s = wanted_stop_s.copy()
    steps = SecantSteps(start_s.shape)
    moving = Moving(start_s.shape)
    for _ in range(trials):
        shortest_s = start_s + rises_s + np.minimum(settings.shortest_s, target_length_s)
        next_s = _next_start_s(notes, start_s)
        bounded_s = np.where(is_moved, np.maximum(stop_s, shortest_s), stop_s)
        tried_s = np.minimum(bounded_s, np.maximum(next_s, start_s))
        some = moving.those(start_s, tried_s)
        if not some.size:
            break
        found = crossings(notes, start_s, tried_s, notes.sampler, settings, some=some)
        missed_start_s = np.where(notes.has_landing, found.first_s - wanted_start_s, 0.0)
        missed_stop_s = np.where(is_moved, found.last_s - wanted_stop_s, 0.0)
        missed_start_s = np.nan_to_num(missed_start_s) * moves_starts
        start_s = begun(start_s - steps.after(missed_start_s), wanted_start_s, notes.sampler)
        moved_stop_s = np.minimum(tried_s - np.nan_to_num(missed_stop_s), wanted_stop_s)
        stop_s[some] = moved_stop_s[some]
    shortest_s = start_s + rises_s + np.minimum(settings.shortest_s, target_length_s)
    is_short = is_moved & (stop_s < shortest_s)
    stop_s = np.minimum(np.where(is_short, shortest_s, stop_s), _next_start_s(notes, start_s))
    return StartsAndStops(start_s=start_s, stop_s=np.maximum(stop_s, start_s), is_short=is_short)


def begun(start_s: FloatArray, heard_s: FloatArray, by: ToneFigures) -> FloatArray:
    """Return starts that are no earlier than a rise asks for, and no later than what is heard."""
    return np.clip(start_s, heard_s - MAX_RISE * by.attack_s, heard_s)


class Moving:
    """Which notes a trial has still to look at: those whose start or stop was moved by the last."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self._last_s = np.full((2, *shape), np.inf)

    def those(self, start_s: FloatArray, stop_s: FloatArray) -> IntArray:
        """Return the indexes of the notes that moved since the last call."""
        now_s = np.stack((start_s, stop_s))
        moved = np.any(np.abs(now_s - self._last_s) >= HIT_S, axis=0)
        self._last_s[:, moved] = now_s[:, moved]
        return np.flatnonzero(moved)


class SecantSteps:
    """Steps towards what hits, by the secant: where a level moves, a miss is no step."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self._missed_s, self._step_s = np.zeros(shape), np.zeros(shape)

    def after(self, missed_s: FloatArray) -> FloatArray:
        """Return the steps to take back after some misses."""
        slope = np.ones(missed_s.shape)
        np.divide(
            self._missed_s - missed_s, self._step_s, out=slope, where=np.abs(self._step_s) > HIT_S
        )
        self._step_s = missed_s / np.clip(slope, MIN_SLOPE, 1.0 / MIN_SLOPE)
        self._missed_s = missed_s
        return self._step_s


def crossings(
    notes: TargetTones,
    start_s: FloatArray,
    stop_s: FloatArray,
    by: ToneFigures,
    settings: Settings,
    *,
    some: IntArray,
) -> Crossings:
    """Return where tones cross the threshold below their own greatest energy, on insert time.

    Only `some` are looked at; NaN stands for the others.
    """
    first_s, last_s = (np.full(start_s.shape, np.nan) for _ in range(2))
    for block in _blocks(some):
        look = Look.at(
            notes.only(block).tones(start_s[block], stop_s[block], by.only(block), settings.room)
        )
        found = look.crossings(look.greatest * db_to_energy(-settings.onset_db))
        first_s[block], last_s[block] = found.first_s, found.last_s
    return Crossings(first_s=first_s, last_s=last_s)


def _blocks(some: IntArray) -> Iterator[IntArray]:
    for first in range(0, some.size, BLOCK_NOTES):
        yield some[first : first + BLOCK_NOTES]


def _next_start_s(notes: TargetTones, start_s: FloatArray) -> FloatArray:
    """When the same part starts the same pitch again: a key or string must be free by then.

    ``inf`` where it does not, or where the target's own notes overlap (two players in unison).
    """
    order = np.lexsort((start_s, notes.pitch, notes.part))
    this, following = order[:-1], order[1:]
    is_again = (
        (notes.part[this] == notes.part[following])
        & (notes.pitch[this] == notes.pitch[following])
        & (notes.off_s[following] <= notes.on_s[this])
    )
    next_s = np.full(start_s.shape, np.inf)
    next_s[this] = np.where(is_again, start_s[following], np.inf)
    return next_s


def heard_of(
    notes: TargetTones, strokes: StartsAndStops, by: ToneFigures, settings: Settings
) -> HeardTimes:
    """Turn a performance round: what the listener hears of it."""
    tones = notes.tones(strokes.start_s, strokes.stop_s, by, settings.room)
    blocks = tuple(_blocks(np.arange(notes.part.size)))
    looks = [Look.at(tones.only(block)) for block in blocks]

    def crossings_of(threshold: FloatArray) -> Crossings:
        first_s, last_s = (np.empty(threshold.shape) for _ in range(2))
        for look, block in zip(looks, blocks, strict=True):
            found = look.crossings(threshold[block])
            first_s[block], last_s[block] = found.first_s, found.last_s
        return Crossings(first_s=first_s, last_s=last_s)

    greatest = np.concatenate([np.zeros(0), *(look.greatest for look in looks)])
    edges = crossings_of(greatest * db_to_energy(-settings.onset_db))
    struck_level = np.array([db_to_energy(velocity_to_db(int(v))) for v in notes.velocity])
    loudest = float(np.max(greatest * struck_level, initial=0.0))
    heard_from = db_to_energy(-settings.audible_db) * loudest / struck_level
    length_s = notes.length_s
    latest_s = strokes.start_s + 2.0 * MAX_RISE * by.attack_s + SMOOTHING_S
    is_edge = notes.has_landing & (edges.first_s <= latest_s)
    lands_s = np.where(is_edge, length_s - edges.first_s, np.nan)
    return HeardTimes(
        audible_from_s=length_s - crossings_of(heard_from).last_s,
        onset_s=np.where(notes.has_onset, length_s - edges.last_s, np.nan),
        full_s=np.where(
            notes.is_struck,
            length_s - np.where(np.isnan(edges.first_s), strokes.start_s, edges.first_s),
            length_s - tones.stop_s,
        ),
        lands_s=lands_s,
    )


def controls_onset(notes: TargetTones, strokes: StartsAndStops, settings: Settings) -> BoolArray:
    """Return whether the player can put the heard onset on its beat.

    A struck tone that has fallen below the threshold by itself before the stop cannot.
    """
    free = replace(notes, damper_s=np.full(notes.on_s.shape, np.inf))
    is_shaped = notes.is_shapeable & ~notes.lands_at_start
    some = np.flatnonzero(is_shaped & notes.is_struck)
    alone = crossings(free, strokes.start_s, strokes.stop_s, notes.sampler, settings, some=some)
    rings_on = notes.length_s - alone.last_s <= notes.on_s + HEARD_TOGETHER_S
    return np.asarray(is_shaped & (~notes.is_struck | rings_on))

"""Figures of single notes: those by which the sound law says what was heard of sampled tones.

The law of `retro.model.sound` has one shape of rise and one of fall. A sampled tone has another,
and a room and a swell see different parts of it. So the figures of a note are those with which the
law crosses the threshold where the sampled tone does: in the same room, under the same level, held
for the same time.

Conventions
-----------
Arrays have shape (notes,), or (notes, hops) for courses. Heard times are seconds from a note's
start, or from its stop.
"""

import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import lfilter

from retro.model.instruments import Player
from retro.model.settings import Settings
from retro.model.sound import NEPERS_60_DB, FloatArray, Room, built_up
from retro.model.tones import BoolArray, IntArray, Look, Tones
from retro.reversal.exact import exact_starts_and_stops
from retro.reversal.target_tones import TargetTones, ToneFigures
from retro.sounds.envelope import HOP_S, Envelope
from retro.units import db_to_energy, energy_to_db

FULL_S = 0.125
"""What the full level is a mean over: the time that level meters call fast (IEC 61672-1)."""

MAX_HELD_S = 8.0
"""A tone that is held for longer stays as it is by then."""

STEADY_S = 0.5
"""Over the last of a tone its level is taken that longer ones keep."""

BEFORE_STOP_S = 0.05
"""The level at which a tone was stopped is a mean over this."""

SHORT_S = 0.75
"""A tone held for less falls as the short tone of its pitch did."""

STEPS = (4, 1, 1, 1)
"""How often figures are moved by what the law misses each time that notes are played by them; in a
single step, what a change of length adds cannot run away."""

TRIALS = 4
"""Trials for start and stop, of which three hit where no level moves: what is heard and what the
law says are compared where a note is, on its place or beside it."""

MISS_S = 0.5 * HOP_S
"""A law that misses by less hits."""

PITCHES = 128

MAX_STEP = 4.0
"""Most that a figure is raised or lowered by in a step."""

NOTES_AT_ONCE = 32
"""Notes, of about the same length, whose courses are looked at together."""

ATTACKS_S = (1e-4, 2.0)
DECAYS_S = (0.01, 60.0)
"""What figures may be, as in the settings; an attack of nothing could not be raised."""

MIN_SLOPE_DB_S = 1.0
"""A struck tone that falls less steeply than this, 60 dB in a minute, does not decay."""

MAX_KNOWN = 1024
"""Decays of tones that are remembered."""

SLOPE_DB = 30.0
"""A decay is read down to this below the greatest level."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampled:
    """What is known of one note's tone: held for long, and for short."""

    long: Envelope
    short: Envelope


def figures_of(
    notes: TargetTones,
    players: Sequence[Player],
    settings: Settings,
    tones: Sequence[Sampled | None],
) -> ToneFigures:
    """Return the figures of every note that fit what is heard of its tone.

    How long a note is held, and under which part of its swell, depends on its figures. So they are
    fitted to what is played with those before, and again for notes that are then heard elsewhere.

    A note whose tone is unknown or silent, or has not the moment, keeps its figures, and so does
    one whose player has figures from the settings, or learned of another sampler.
    """
    sampled = {i: t for i, t in enumerate(tones) if t is not None and not t.long.is_silent}
    keeps_attack, keeps_decay = _keeps(notes, players)
    figures = _with_free_decays(notes, sampled, keeps_decay)
    known = np.array(list(sampled), dtype=np.int64)
    place = PITCHES * notes.part[known] + notes.pitch[known]
    some = np.ones(known.shape, dtype=bool)
    for steps in STEPS:
        rows = known[some]
        if not rows.size:
            break
        played = _played(replace(notes, sampler=figures).only(rows), settings)
        heard_s = _heard(played, [sampled[i] for i in rows], settings.onset_db)
        heard_s[0, keeps_attack[rows]] = np.nan
        heard_s[1, keeps_decay[rows] | played.is_struck] = np.nan
        fitted, missed_s = _fitted(played, heard_s, settings.onset_db, steps)
        figures.attack_s[rows], figures.decay_s[rows] = fitted.attack_s, fitted.decay_s
        # The next note of a pitch says how long one may be held, so both are looked at.
        some = np.isin(place, place[some][missed_s > MISS_S])
    return figures


def _keeps(notes: TargetTones, players: Sequence[Player]) -> tuple[BoolArray, BoolArray]:
    """Return whose attack, and whose decay, is stated or learned of another sampler."""
    is_learned = np.array([player.learned is not None for player in players], dtype=bool)
    attack, decay = (
        np.array([each is not None for each in stated], dtype=bool)
        for stated in (
            [player.sampler_attack_override_s for player in players],
            [player.sampler_decay_override_s for player in players],
        )
    )
    return (is_learned | attack)[notes.part], (is_learned | decay)[notes.part]


def _with_free_decays(
    notes: TargetTones, sampled: Mapping[int, Sampled], keeps_decay: BoolArray
) -> ToneFigures:
    """Return the figures of notes, with the decays of struck tones as they ring."""
    decay_s = notes.sampler.decay_s.copy()
    for i, tone in sampled.items():
        if notes.is_struck[i] and not keeps_decay[i]:
            decay_s[i] = _free_decay_s(tone.long, decay_s[i])
    return ToneFigures(attack_s=notes.sampler.attack_s.copy(), decay_s=decay_s)


def _played(notes: TargetTones, settings: Settings) -> Tones:
    """Return what sounds when notes are played by the figures that they have, or nearly so."""
    played = exact_starts_and_stops(notes, settings, trials=TRIALS)
    return notes.tones(played.start_s, played.stop_s, notes.sampler, settings.room)


def _fitted(
    notes: Tones, heard_s: FloatArray, drop_db: float, steps: int
) -> tuple[Tones, FloatArray]:
    """Return notes with figures moved by what the law misses, and how far off its rises were.

    Where nothing is heard, a figure stays. Where a fall is the room's, no decay brings it nearer.
    """
    attack_s, decay_s = notes.attack_s, notes.decay_s
    law_s = _by_the_law(notes, drop_db)
    missed_s = np.abs(heard_s[0] - law_s[0])
    for step in range(steps):
        if step:
            law_s = _by_the_law(replace(notes, attack_s=attack_s, decay_s=decay_s), drop_db)
        attack_s = _moved(attack_s, heard_s[0], law_s[0], ATTACKS_S)
        decay_s = _moved(decay_s, heard_s[1], law_s[1], DECAYS_S)
    return replace(notes, attack_s=attack_s, decay_s=decay_s), missed_s


def _by_the_law(notes: Tones, drop_db: float) -> FloatArray:
    """Return where the law has tones first and last heard, from their start and from their stop."""
    look = Look.at(notes)
    found = look.crossings(look.greatest * db_to_energy(-drop_db))
    return np.stack((found.first_s - notes.start_s, found.last_s - notes.stop_s))


def _moved(
    figure_s: FloatArray, heard_s: FloatArray, law_s: FloatArray, limits_s: tuple[float, float]
) -> FloatArray:
    """Return figures moved in proportion to how far the law is off, where both are known."""
    least_s = 0.1 * HOP_S
    share = np.maximum(heard_s, least_s) / np.maximum(law_s, least_s)
    moved_s = np.clip(figure_s, *limits_s) * np.clip(share, 1.0 / MAX_STEP, MAX_STEP)
    return np.where(np.isnan(share), figure_s, np.clip(moved_s, *limits_s))


def _heard(notes: Tones, tones: Sequence[Sampled], drop_db: float) -> FloatArray:
    """Return where tones are first and last heard, from their start and from their stop."""
    heard_s = np.empty((2, len(tones)))
    by_length = np.argsort(notes.held_s)
    for first in range(0, len(tones), NOTES_AT_ONCE):
        some = by_length[first : first + NOTES_AT_ONCE]
        heard_s[:, some] = _heard_at_once(notes.only(some), [tones[i] for i in some], drop_db)
    return heard_s


def _heard_at_once(notes: Tones, tones: Sequence[Sampled], drop_db: float) -> FloatArray:
    held_s = np.minimum(notes.held_s, MAX_HELD_S)
    held = np.maximum(np.rint(held_s / HOP_S).astype(np.int64), 1)
    ring = round(notes.room.reverberation_s * (drop_db + 10.0) / 60.0 / HOP_S)
    after = max(max(len(tone.long.after), len(tone.short.after)) for tone in tones)
    size = int(held.max()) + after + ring
    course = np.zeros((held.size, size))
    for row, (tone, count) in enumerate(zip(tones, held, strict=True)):
        own = _course(tone, int(count))
        course[row, : own.size] = own
    hops = np.arange(int(held.max()) + 1)
    since_s = np.minimum(hops[np.newaxis, :], held[:, np.newaxis]) * HOP_S
    level = notes.levels.of_tones(notes.part).energy(notes.start_s[:, np.newaxis] + since_s)
    course[:, : hops.size] *= level
    course[:, hops.size :] *= level[:, -1:]
    reverberant = _of_room(course, notes.room)
    full = _full(course, reverberant, held, notes.room)
    crossed_s = _crossed(course + reverberant, full * db_to_energy(-drop_db))
    return crossed_s - np.stack((np.zeros(held.size), held * HOP_S))


def _course(tone: Sampled, count: int) -> FloatArray:
    """Return the energy of a tone that is held for some hops, until it is silent."""
    held = tone.long.held_energy
    if count > held.size:
        steady = float(np.mean(held[-round(STEADY_S / HOP_S) :]))
        held = np.concatenate((held, np.full(count - held.size, steady)))
    held = held[:count]
    is_short = count * HOP_S < SHORT_S and not tone.short.is_silent
    source = tone.short if is_short else tone.long
    stop = round(BEFORE_STOP_S / HOP_S)
    level = float(np.mean(source.held_energy[-stop:]))
    after = source.after_energy * (float(np.mean(held[-stop:])) / level if level > 0.0 else 0.0)
    return np.concatenate((held, after))


def _of_room(course: FloatArray, room: Room) -> FloatArray:
    """Return the room's energy over time: it gets its share, and loses it by its own decay."""
    kept = float(np.exp(NEPERS_60_DB * HOP_S / room.reverberation_s))
    return np.asarray(lfilter([room.share * (1.0 - kept)], [1.0, -kept], course, axis=1))


def _full(course: FloatArray, reverberant: FloatArray, held: IntArray, room: Room) -> FloatArray:
    """Return the full levels of tones in a room: the greatest mean over `FULL_S`, or half a tone.

    The room's energy is what it is on average over rooms: it keeps the mean of the tone, and none
    of its beats. A room beats as much, but by itself; and what is independent adds by squares.
    """
    share = room.share * built_up(HOP_S * np.arange(1, course.shape[1] + 1), room)
    mean = reverberant / share
    energy = mean + reverberant + np.hypot(1.0, share) * (course - mean)
    sums = np.concatenate((np.zeros((held.size, 1)), np.cumsum(energy, axis=1)), axis=1)
    widths = np.maximum(np.minimum(round(FULL_S / HOP_S), held // 2), 1)
    means = (
        (row[width:] - row[:-width]).max() / width for row, width in zip(sums, widths, strict=True)
    )
    return np.fromiter(means, dtype=float)


def _crossed(energy: FloatArray, thresholds: FloatArray) -> FloatArray:
    """Return where courses first and last have the energy of a threshold, in seconds."""
    found = np.full((2, thresholds.size), np.nan)
    for row, threshold in enumerate(thresholds):
        above = np.flatnonzero(energy[row] >= threshold)
        if threshold <= 0.0 or not above.size:
            continue
        found[0, row] = _between(energy[row], above[0] - 1, above[0], threshold)
        outside = min(above[-1] + 1, energy.shape[1] - 1)
        found[1, row] = _between(energy[row], outside, above[-1], threshold)
    return found * HOP_S


def _between(energy: FloatArray, outside: int, inside: int, threshold: float) -> float:
    """Return the hop, with its fraction, at which a course crosses a threshold."""
    low = float(energy[outside]) if outside >= 0 else 0.0
    high = float(energy[inside])
    share = (threshold - low) / (high - low) if high > low else 1.0
    return max(outside + share * (inside - outside), 0.0)


@functools.lru_cache(maxsize=MAX_KNOWN)
def _free_decay_s(tone: Envelope, otherwise_s: float) -> float:
    """Return the 60 dB decay of a struck tone that rings, from the slope of its level."""
    energy = tone.held_energy
    peak = int(energy.argmax())
    falling = energy[peak:]
    ends = np.flatnonzero(falling < db_to_energy(-SLOPE_DB))
    falling = falling[: int(ends[0]) if ends.size else falling.size]
    if falling.size < 3:
        return DECAYS_S[0]
    levels_db = np.array([energy_to_db(float(each)) for each in falling])
    slope = -float(np.polyfit(np.arange(falling.size) * HOP_S, levels_db, 1)[0])
    if slope < MIN_SLOPE_DB_S:
        return otherwise_s
    return float(np.clip(60.0 / slope, *DECAYS_S))

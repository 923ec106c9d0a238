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

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import lfilter

from retro.model.instruments import Player
from retro.model.sound import NEPERS_60_DB, FloatArray, Room
from retro.model.tones import BoolArray, IntArray, Look, Tones
from retro.reversal.target_tones import ToneFigures
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

ROUNDS = 4
"""Rounds in which figures are moved by what the law misses."""

MAX_STEP = 4.0
"""Most that a figure is raised or lowered by in a round."""

NOTES_AT_ONCE = 128
"""Notes whose courses are in memory together."""

ATTACKS_S = (1e-4, 2.0)
DECAYS_S = (0.01, 60.0)
"""What figures may be, as in the settings; an attack of nothing could not be raised."""

MIN_SLOPE_DB_S = 1.0
"""A struck tone that falls less steeply than this, 60 dB in a minute, does not decay."""

SLOPE_DB = 30.0
"""A decay is read down to this below the greatest level."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampled:
    """What is known of one note's tone: held for long, and for short."""

    long: Envelope
    short: Envelope


def figures_of(
    notes: Tones, players: Sequence[Player], tones: Sequence[Sampled | None], drop_db: float
) -> ToneFigures:
    """Return the figures of every note that fit what is heard of its tone, `drop_db` below full.

    A note whose tone is unknown or silent, or has not the moment, keeps its figures, and so does
    one whose player has figures from the settings, or learned of another sampler.
    """
    known = [i for i, tone in enumerate(tones) if tone is not None and not tone.long.is_silent]
    heard = np.full((2, len(tones)), np.nan)
    for some in _in_lots(known):
        heard[:, some] = _heard(notes.only(some), [tones[i] for i in some], drop_db)
    decay_s = notes.decay_s.copy()
    for i in known:
        if notes.is_struck[i]:
            decay_s[i] = _free_decay_s(tones[i].long, decay_s[i])  # type: ignore[union-attr]
    heard[1, notes.is_struck] = np.nan
    keeps_attack, keeps_decay = (
        np.array([p.learned is not None or said(p) is not None for p in players])[notes.part]
        for said in (_stated_attack_s, _stated_decay_s)
    )
    fitted = _fitted(replace(notes, decay_s=decay_s), heard, drop_db)
    return ToneFigures(
        attack_s=np.where(keeps_attack, notes.attack_s, fitted.attack_s),
        decay_s=np.where(keeps_decay, notes.decay_s, fitted.decay_s),
    )


def _stated_attack_s(player: Player) -> float | None:
    return player.sampler_attack_override_s


def _stated_decay_s(player: Player) -> float | None:
    return player.sampler_decay_override_s


def _in_lots(known: Sequence[int]) -> Iterator[IntArray]:
    for first in range(0, len(known), NOTES_AT_ONCE):
        yield np.array(known[first : first + NOTES_AT_ONCE], dtype=np.int64)


def _fitted(notes: Tones, heard_s: FloatArray, drop_db: float) -> ToneFigures:
    """Return the figures with which the law crosses the threshold where it was heard crossed."""
    attack_s, decay_s = notes.attack_s.copy(), notes.decay_s.copy()
    begins, ends = (~np.isnan(row) for row in heard_s)
    attack_s[begins] = np.clip(attack_s[begins], *ATTACKS_S)
    threshold = db_to_energy(-drop_db)
    for _ in range(ROUNDS):
        look = Look.at(replace(notes, attack_s=attack_s, decay_s=decay_s))
        found = look.crossings(look.greatest * threshold)
        first_s, last_s = found.first_s - notes.start_s, found.last_s - notes.stop_s
        attack_s = _moved(attack_s, heard_s[0], first_s, begins & ~np.isnan(first_s), ATTACKS_S)
        decay_s = _moved(decay_s, heard_s[1], last_s, ends & ~np.isnan(last_s), DECAYS_S)
    return ToneFigures(attack_s=attack_s, decay_s=decay_s)


def _moved(
    figure_s: FloatArray,
    heard_s: FloatArray,
    found_s: FloatArray,
    some: BoolArray,
    limits_s: tuple[float, float],
) -> FloatArray:
    """Return figures moved in proportion to how far the law is off."""
    moved = figure_s.copy()
    least_s = 0.1 * HOP_S
    share = np.maximum(heard_s[some], least_s) / np.maximum(found_s[some], least_s)
    moved[some] = np.clip(figure_s[some] * np.clip(share, 1.0 / MAX_STEP, MAX_STEP), *limits_s)
    return moved


def _heard(notes: Tones, tones: Sequence[Sampled], drop_db: float) -> FloatArray:
    """Return where tones are first and last heard, from their start and from their stop."""
    held_s = np.minimum(notes.held_s, MAX_HELD_S)
    held = np.maximum(np.rint(held_s / HOP_S).astype(np.int64), 1)
    ring = round(notes.room.reverberation_s * (drop_db + 10.0) / 60.0 / HOP_S)
    after = max(max(len(tone.long.after), len(tone.short.after)) for tone in tones)
    size = int(held.max()) + after + ring
    course = np.zeros((held.size, size))
    for row, (tone, count) in enumerate(zip(tones, held, strict=True)):
        own = _course(tone, int(count))
        course[row, : own.size] = own
    hops = np.arange(size)
    since_s = np.minimum(hops[np.newaxis, :], held[:, np.newaxis]) * HOP_S
    course *= notes.levels.of_tones(notes.part).energy(notes.start_s[:, np.newaxis] + since_s)
    energy = course + _of_room(course, notes.room)
    return _crossed(energy, held, drop_db) - np.stack((np.zeros(held.size), held * HOP_S))


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


def _crossed(energy: FloatArray, held: IntArray, drop_db: float) -> FloatArray:
    """Return where courses are first and last within `drop_db` of their full level, in seconds."""
    rows, size = energy.shape
    widths = np.maximum(np.minimum(round(FULL_S / HOP_S), held // 2), 1)
    sums = np.concatenate((np.zeros((rows, 1)), np.cumsum(energy, axis=1)), axis=1)
    found = np.full((2, rows), np.nan)
    for row, width in enumerate(widths):
        full = float((sums[row, width:] - sums[row, :-width]).max()) / int(width)
        if full <= 0.0:
            continue
        threshold = full * db_to_energy(-drop_db)
        above = np.flatnonzero(energy[row] >= threshold)
        if not above.size:
            continue
        found[0, row] = _between(energy[row], above[0] - 1, above[0], threshold)
        found[1, row] = _between(energy[row], min(above[-1] + 1, size - 1), above[-1], threshold)
    return found * HOP_S


def _between(energy: FloatArray, outside: int, inside: int, threshold: float) -> float:
    """Return the hop, with its fraction, at which a course crosses a threshold."""
    low = float(energy[outside]) if outside >= 0 else 0.0
    high = float(energy[inside])
    share = (threshold - low) / (high - low) if high > low else 1.0
    return max(outside + share * (inside - outside), 0.0)


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

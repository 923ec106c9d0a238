"""Attack and decay of every player out of a bounce of the probe.

Method. The noise is what is left where the probe is silent for longest; it is taken away. The
amplitude of a sustained tone begins to rise by the law's straight line, so two points of it say
where it began; the median over tones is where the bounce begins, unless that is so near to its
first frame that it was bounced from there. Then each tone gives the attack with which the law
crosses the threshold where the tone does, and the decay with which it falls.

Conventions
-----------
Sound is one channel. Energies are means over a period of the tone around each instant, taken twice,
and ratios to its full level, its greatest mean over 125 ms.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.signal import lfilter

from retro.errors import TakeError
from retro.model.learned import LearnedFigures, LearnedTone
from retro.model.sound import NEPERS_60_DB, FloatArray, Room, built_up, energy_after_stroke, risen
from retro.model.tones import BoolArray
from retro.render.wav import RealArray
from retro.sounds.alignment import start_of
from retro.sounds.envelope import window_s
from retro.sounds.figures import FULL_S
from retro.sounds.probe import ProbeTone
from retro.units import db_to_amplitude, db_to_energy, energy_to_db, seconds_to_samples

HOP_S = 0.001
LEAD_S, AFTER_S = 0.25, 1.2
"""What is heard of a tone before it begins and after it is let go."""

BEFORE_S = (0.1, 0.02)
"""How long before its stop a tone's level is taken."""

LONG_S = 1.0
"""A tone that is held for so long is full before it is let go."""

DROP_DB = 10.0
"""The threshold: what is published for onsets (Vos & Rasch 1981: 6 to 15 dB)."""

FALL_DB = 25.0
"""How far down a fall is compared with the law."""

FALL_S = 0.6
"""For how long."""

ABOVE_NOISE_DB = 6.0
MIN_SIGNAL_DB = 15.0
"""A tone that is less than this above the noise is not heard well enough."""


DECAYS_S = np.geomspace(0.03, 6.0, 600)
ATTACKS_S = np.concatenate(([1e-4], np.geomspace(0.002, 1.5, 90)))
NO_ROOM = Room(0.01, 100.0)

RISE_DB = (16.0, 9.0)
"""Levels below full between which a rise is carried back to where it began."""

STRUCK_DB = 20.0
"""Where only struck tones are heard, they have begun where they come so near to full."""

AT_ONCE_S = 0.012
"""A bounce that begins so near to its first frame was bounced from there."""


CLIPPED = 0.9995
MAX_CLIPPED = 4
"""Frames at the end of the scale that may stand in a file by chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What a bounce says.

    Parameters
    ----------
    players
        Figures of every player, in the probe's order.
    start_s
        Second of the file at which the probe begins.
    unheard
        Players of which too little is heard, and why.
    """

    players: tuple[LearnedFigures, ...]
    start_s: float
    unheard: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Course:
    """Energy of one tone, noise taken away; `HOP_S` apart, from `LEAD_S` before its note-on."""

    tone: ProbeTone
    energy: FloatArray
    full: float
    noise: float

    @property
    def off(self) -> int:
        return round((LEAD_S + self.tone.held_s) / HOP_S)


def learn(
    sound: RealArray,
    rate: int,
    tones: Sequence[ProbeTone],
    room: Room | None = None,
    *,
    name: str = "",
) -> Learned:
    """Return the figures of every player of a probe.

    Parameters
    ----------
    sound
        The bounce, shape (frames, channels), full scale 1.
    rate
        Frames a second.
    tones
        The probe that was bounced.
    room
        The room in the bounce, which the figures are to be without, or None where it is dry. It
        has to be told: a fall of 25 dB does not say what of it is the room's.
    name
        What a refusal calls the bounce.

    Raises
    ------
    TakeError
        If the bounce is clipped, cut, or of something else, or no player is heard well enough.
    """
    where = name or None
    if np.count_nonzero(np.abs(sound) >= CLIPPED) > MAX_CLIPPED:
        raise TakeError("is clipped: it is too loud", where=where, advice="bounce it 6 dB lower")
    one = sound.mean(axis=1, dtype=float)
    coarse_s = start_of(one, rate, tones, where)
    courses = _courses(one, rate, tones, coarse_s)
    heard = [each for each in courses if _is_heard(each)]
    if not heard:
        raise TakeError("no tone stands out of the noise", where=where, advice="bounce it louder")
    room = room or NO_ROOM
    start_s = _start_s(heard, coarse_s)
    found: dict[str, list[LearnedTone]] = {}
    for each in filter(_is_heard, _courses(one, rate, tones, start_s)):
        tone = _learned(each, room)
        if tone is not None:
            found.setdefault(each.tone.player, []).append(tone)
    found = {name: _risen_alike(own) for name, own in found.items()}
    names = dict.fromkeys(tone.player for tone in tones)
    return Learned(
        players=tuple(
            LearnedFigures(name=name, tones=tuple(sorted(found[name])))
            for name in names
            if name in found
        ),
        start_s=start_s,
        unheard=tuple(name for name in names if name not in found),
    )


def _risen_alike(tones: list[LearnedTone]) -> list[LearnedTone]:
    """Return tones of which the short rise as the long ones of their pitch and loudness do.

    A tone does not know when it will be let go, and a short one may be before it is full.
    """
    long = {(t.pitch, t.velocity): t.attack_s for t in tones if t.held_s >= LONG_S}
    return [replace(t, attack_s=long.get((t.pitch, t.velocity), t.attack_s)) for t in tones]


def _courses(
    sound: FloatArray, rate: int, tones: Sequence[ProbeTone], start_s: float
) -> list[_Course]:
    sums = np.concatenate(([0.0], np.cumsum(np.square(sound))))
    areas = np.concatenate(([0.0], np.cumsum(sums)))
    block = seconds_to_samples(0.1, rate)
    quiet = np.sort((sums[block::block] - sums[:-block:block]) / block)
    noise = float(np.median(quiet[: max(quiet.size // 20, 1)]))
    made = []
    for tone in tones:
        count = round((LEAD_S + tone.held_s + AFTER_S) / HOP_S)
        at = (start_s + tone.on_s - LEAD_S + np.arange(count) * HOP_S) * rate
        period = seconds_to_samples(window_s(tone.pitch), rate)
        # A mean over a period, taken twice: what ripples within a period cancels.
        places = np.rint(at).astype(np.int64)
        low, middle, high = (np.clip(places + side, 0, sound.size) for side in (-period, 0, period))
        energy = (areas[high] - 2.0 * areas[middle] + areas[low]) / period**2
        energy = np.maximum(energy - noise, 0.0)
        width = max(round(min(FULL_S, 0.5 * tone.held_s) / HOP_S), 1)
        total = np.concatenate(([0.0], np.cumsum(energy)))
        full = float((total[width:] - total[:-width]).max()) / width
        made.append(_Course(tone=tone, energy=energy, full=full, noise=noise))
    return made


def _is_heard(course: _Course) -> bool:
    return course.full > db_to_energy(MIN_SIGNAL_DB) * max(course.noise, 1e-12)


def _start_s(courses: Sequence[_Course], coarse_s: float) -> float:
    """Return where the bounce begins, to about a millisecond where its tones follow the law."""
    long = [each for each in courses if not each.tone.is_struck and each.tone.held_s >= LONG_S]
    if long:
        far, near = (_time_constants(drop_db) for drop_db in RISE_DB)
        found = []
        for each in long:
            low_s, high_s = (_first(each.energy / each.full, drop_db) for drop_db in RISE_DB)
            found.append(low_s - (high_s - low_s) * far / (near - far) - LEAD_S)
    else:
        found = [_first(each.energy / each.full, STRUCK_DB) - LEAD_S for each in courses]
    known = [each for each in found if not math.isnan(each)]
    start_s = coarse_s + (float(np.median(known)) if known else 0.0)
    return 0.0 if abs(start_s) <= AT_ONCE_S else start_s


def _time_constants(drop_db: float) -> float:
    """Return how many time constants the law's rise takes to so far below full."""
    return -math.log1p(-db_to_amplitude(-drop_db))


def _levels_db(course: _Course) -> tuple[FloatArray, BoolArray]:
    """Return a tone's levels against where it was stopped, and which of them count."""
    stop = course.off
    first, last = (stop - round(each / HOP_S) for each in BEFORE_S)
    before = float(np.mean(course.energy[first:last]))
    levels_db = 10.0 * np.log10(np.maximum(course.energy / max(before, 1e-20), 1e-9))
    floor_db = energy_to_db(max(course.noise, 1e-20) / max(before, 1e-20)) + ABOVE_NOISE_DB
    is_used = levels_db > max(-FALL_DB, floor_db)
    low = np.flatnonzero(~is_used[stop:])
    if low.size:
        is_used[stop + low[0] :] = False
    return levels_db, np.asarray(is_used)


def _fall(t_s: FloatArray, decays_s: FloatArray, room: Room, filled: float) -> FloatArray:
    """Return the energy of tones after they are let go, 1 at 0, shape (decays, hops).

    What still sounds feeds the room while it dies away.
    """
    fed = energy_after_stroke(t_s, decays_s[:, np.newaxis], np.inf, 1.0, room) * (1.0 + room.share)
    kept = room.share * filled * np.exp(NEPERS_60_DB * t_s / room.reverberation_s)
    return np.asarray((fed + kept) / (1.0 + room.share * filled))


def _first(energy: FloatArray, drop_db: float) -> float:
    """Return where a course first comes within `drop_db` of its full level, in seconds."""
    threshold = db_to_energy(-drop_db)
    above = np.flatnonzero(energy >= threshold)
    if not above.size or above[0] == 0:
        return math.nan
    low, high = energy[above[0] - 1], energy[above[0]]
    return float(above[0] - 1 + (threshold - low) / (high - low)) * HOP_S


def _learned(course: _Course, room: Room) -> LearnedTone | None:
    """Return the figures of one tone, or None where it crosses no threshold."""
    tone = course.tone
    first_s = _first(course.energy / course.full, DROP_DB) - LEAD_S
    if math.isnan(first_s):
        return None
    measure = _struck_decay_s if tone.is_struck else _sustained_decay_s
    decay_s = measure(course, room)
    if decay_s is None:
        return None
    return LearnedTone(
        pitch=tone.pitch,
        velocity=tone.velocity,
        held_s=round(tone.held_s, 3),
        attack_s=float(np.interp(first_s, _rises_s(tone.held_s, tone.pitch, room), ATTACKS_S)),
        decay_s=decay_s,
    )


@lru_cache
def _rises_s(held_s: float, pitch: int, room: Room) -> FloatArray:
    """Return when tones of every attack cross the threshold, heard through the same means."""
    before = round(LEAD_S / HOP_S)
    t_s = (np.arange(before + round(held_s / HOP_S)) - before) * HOP_S
    direct = risen(t_s[np.newaxis, :], ATTACKS_S[:, np.newaxis])
    kept = float(np.exp(NEPERS_60_DB * HOP_S / room.reverberation_s))
    energy = np.asarray(
        direct + lfilter([room.share * (1.0 - kept)], [1.0, -kept], direct, axis=1),
        dtype=np.float64,
    )
    width = max(round(min(FULL_S, 0.5 * held_s) / HOP_S), 1)
    full = energy[:, -width:].mean(axis=1)
    period = np.ones(max(round(window_s(pitch) / HOP_S), 1))
    around = np.convolve(period, period) / period.size**2
    rises = [
        _first(np.convolve(row, around, mode="same") / level, DROP_DB) - LEAD_S
        for row, level in zip(energy, full, strict=True)
    ]
    return np.maximum.accumulate(np.asarray(rises))


def _sustained_decay_s(course: _Course, room: Room) -> float | None:
    """Return the decay with which a tone's fall fits best."""
    levels_db, is_used = _levels_db(course)
    fall = slice(course.off, course.off + round(FALL_S / HOP_S))
    seen, used = levels_db[fall], is_used[fall]
    if np.count_nonzero(used) < 3:
        return None
    filled = float(built_up(course.tone.held_s, room))
    t_s = np.asarray(np.arange(seen.size) * HOP_S, dtype=np.float64)
    model = _fall(t_s, DECAYS_S, room, filled)
    model_db = 10.0 * np.log10(np.maximum(model, 1e-9))
    misses = np.square(model_db - seen)[:, used].sum(axis=1)
    return float(DECAYS_S[int(misses.argmin())])


def _struck_decay_s(course: _Course, room: Room) -> float | None:
    """Return the free decay of a struck tone: the steeper part of its fall while it is held."""
    held = course.energy[: course.off]
    peak = int(held.argmax())
    levels_db = 10.0 * np.log10(np.maximum(held[peak:] / max(held[peak], 1e-20), 1e-9))
    low = np.flatnonzero(
        levels_db < max(-FALL_DB, energy_to_db(course.noise / held[peak]) + ABOVE_NOISE_DB)
    )
    levels_db = levels_db[: int(low[0]) if low.size else levels_db.size]
    if levels_db.size < 10:
        return None
    t_s = np.arange(levels_db.size) * HOP_S
    decays_s = np.geomspace(DECAYS_S[0], 60.0, 400)
    model = energy_after_stroke(t_s, decays_s[:, np.newaxis], np.inf, 1.0, room)
    model_db = 10.0 * np.log10(np.maximum(model, 1e-9))
    model_db -= model_db.max(axis=1, keepdims=True)
    errors = np.square(model_db - levels_db).sum(axis=1)
    return float(decays_s[int(errors.argmin())])

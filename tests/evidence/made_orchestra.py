"""An orchestra in a made studio: sampled players on their seats, heard by several microphones.

Every note of a plan is rendered alone (`tests.evidence.made_ensembles`). A section is late by its
own, a player by his; a string part is three desks, each out of tune and of time by its own. Sound
falls by distance and needs its time (343.2 m/s at 20 °C, ISO 9613-1). The room is decaying noise,
another one at every microphone, as loud everywhere as the direct sound at the critical distance:
0.057 sqrt(V / T), here of 4000 m³ and 1.4 s (Kuttruff, Room Acoustics, from memory). A close
microphone hears 6 dB less from the sides and 4.8 dB less of the room (a cardioid, from memory).

Conventions
-----------
Sound is mono at `RATE`. Times are insert time in seconds, lateness milliseconds.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import soxr
from scipy.signal import fftconvolve

from retro.model.instruments import Family
from retro.model.orchestra import by_id
from tests.evidence.made_ensembles import (
    RATE,
    Piece,
    crossing_s,
    group_place_s,
    weighted_median,
)

SOUND_M_S = 343.2
REVERBERATION_S = 1.4
CRITICAL_M = 0.057 * math.sqrt(4000.0 / REVERBERATION_S)
SIDE_DB, CARDIOID_DB = -6.0, -4.8
CLOSE_M = 1.5
COMMON_MS, SECTION_MS, NOTE_MS, DESK_MS = 20.0, 10.0, 10.0, 14.0
"""What all are late, and the deviations of sections, of notes, and of the desks of strings."""

DESK_CENTS = 4.0
DESKS = 3
NOISE_DBFS = -78.0
LEAD_S = 1.0
"""What is rendered before the insert's bar 1 beat 1."""

SEATS = {
    "woodwinds": (0.0, 5.5),
    "horns": (-4.5, 7.5),
    "trumpets": (1.5, 9.0),
    "low brass": (4.5, 8.5),
    "percussion": (-1.5, 10.5),
    "plucked": (-6.5, 4.5),
    "violins": (-3.0, 2.0),
    "violas": (1.0, 3.5),
    "cellos": (3.5, 2.0),
    "basses": (6.0, 4.5),
}
"""Metres from the conductor, to the right and away."""

MAIN_M = (0.0, -1.0, 2.5)
"""Where the main microphone hangs, over the ears of those who sit."""


@dataclass(frozen=True)
class Spot:
    """A microphone: its name, the seat that it is close to, and what `day.toml` calls whom."""

    name: str
    seat: str | None
    section: str | None = None


MICROPHONES = (
    Spot("Main", None),
    Spot("Woodwinds", "woodwinds", "Woodwinds"),
    Spot("Horns", "horns", "Horns"),
    Spot("Trumpets", "trumpets", "Trumpets"),
    Spot("Violins", "violins", "Violins"),
    Spot("Cellos", "cellos", "Cellos"),
)

_SEAT_OF = {
    "horn": "horns",
    "trumpet": "trumpets",
    "violin": "violins",
    "viola": "violas",
    "cello": "cellos",
    "double-bass": "basses",
}
_FAMILY_SEAT = {
    Family.WOODWIND: "woodwinds",
    Family.BRASS: "low brass",
    Family.PERCUSSION: "percussion",
    Family.STRINGS: "violas",
}


def seat_of(instrument: str) -> str:
    """Return where the players of an instrument sit."""
    for words, seat in _SEAT_OF.items():
        if instrument.startswith(words):
            return seat
    return _FAMILY_SEAT.get(by_id(instrument).family, "plucked")


def away_m(spot: Spot, seat: str) -> float:
    """Return how far a seat is from a microphone."""
    if spot.seat == seat:
        return CLOSE_M
    x, y, z = (*SEATS[spot.seat], 1.0) if spot.seat else MAIN_M
    return math.hypot(SEATS[seat][0] - x, SEATS[seat][1] - y, z)


def flight_frames(spot: Spot, seat: str) -> int:
    """Return how long sound needs from a seat to a microphone."""
    return round(away_m(spot, seat) / SOUND_M_S * RATE)


def _gain(spot: Spot, seat: str) -> float:
    side_db = SIDE_DB if spot.seat not in (None, seat) else 0.0
    return 10.0 ** (side_db / 20.0) / away_m(spot, seat)


def room_of(spot: Spot, seed: int = 0) -> np.ndarray:
    """Return what a room adds at a microphone."""
    t_s = np.arange(round(1.1 * REVERBERATION_S * RATE)) / RATE
    number = [each.name for each in MICROPHONES].index(spot.name)
    tail = np.random.default_rng(100 * seed + number).standard_normal(t_s.size)
    tail *= 10.0 ** (-3.0 * t_s / REVERBERATION_S)
    pattern_db = CARDIOID_DB if spot.seat else 0.0
    return tail / math.sqrt(np.sum(tail**2)) / CRITICAL_M * 10.0 ** (pattern_db / 20.0)


@dataclass(frozen=True)
class Tone:
    """A note as one player or desk plays it: its index, seat, first frame from the phrase start."""

    note: int
    seat: str
    first: int
    sound: np.ndarray


def with_desks(piece: Piece) -> dict[int, tuple[np.ndarray, ...]]:
    """Return for every note of strings what its further desks play: the same, out of tune."""
    return {
        index: tuple(
            soxr.resample(sound, RATE, RATE / 2.0 ** (cents / 1200.0), quality="LQ")
            for cents in (-DESK_CENTS, DESK_CENTS)[: DESKS - 1]
        )
        for index, sound in enumerate(piece.sounds)
        if by_id(_instrument(piece, index)).family is Family.STRINGS
    }


def _instrument(piece: Piece, note: int) -> str:
    return piece.plan.parts[piece.plan.notes[note].part].instrument


def played(piece: Piece, desks: Mapping[int, Sequence[np.ndarray]], seed: int) -> list[Tone]:
    """Return what the players do in one take."""
    chance = np.random.default_rng(seed)
    late_ms = {seat: COMMON_MS + SECTION_MS * chance.standard_normal() for seat in sorted(SEATS)}
    tones = []
    for index, sound in enumerate(piece.sounds):
        seat = seat_of(_instrument(piece, index))
        own_ms = late_ms[seat] + NOTE_MS * chance.standard_normal()
        further = desks.get(index, ())
        for each in (sound, *further):
            desk_ms = DESK_MS * chance.standard_normal() if further else 0.0
            first_s = piece.start_s[index] + (own_ms + desk_ms) / 1000.0
            share = 1.0 / math.sqrt(1 + len(further))
            tones.append(Tone(index, seat, round(first_s * RATE), share * each))
    return tones


def heard_at(
    spot: Spot, tones: Sequence[Tone], first: int, length: int, *, room_seed: int = 0
) -> np.ndarray:
    """Return what a microphone hears of some tones, from a frame of the insert on."""
    direct = np.zeros(length)
    whole = np.zeros(length)
    for seat in sorted({tone.seat for tone in tones}):
        dry = np.zeros(length)
        for tone in tones:
            if tone.seat == seat:
                _lay(dry, tone.sound, tone.first - first)
        whole += dry
        late = flight_frames(spot, seat)
        direct[late:] += _gain(spot, seat) * dry[: length - late]
    return direct + fftconvolve(whole, room_of(spot, room_seed)[:length])[:length]


def _lay(where: np.ndarray, sound: np.ndarray, at: int) -> None:
    low, high = max(at, 0), min(at + len(sound), len(where))
    if low < high:
        where[low:high] += sound[low - at : high - at]


def section_lateness_ms(
    piece: Piece, tones: Sequence[Tone], spot: Spot, parts: Sequence[int]
) -> float:
    """Return how late a section is in its own microphone, without the flight to it.

    Every group of attacks is laid down alone, in the room: it is heard where its energy crosses the
    plan's threshold below its level.
    """
    late_ms, level = [], []
    for group in piece.groups(parts):
        own = [tone for tone in tones if tone.note in set(group.tolist())]
        low = min(tone.first for tone in own) - RATE // 50
        spread = max(tone.first for tone in own) - min(tone.first for tone in own)
        alone = heard_at(spot, own, low, spread + round(0.6 * RATE))
        flight_s = CLOSE_M / SOUND_M_S
        at_s = low / RATE + crossing_s(alone, piece.plan.settings.onset_db) - flight_s
        late_ms.append(1000.0 * (at_s - group_place_s(piece, group)))
        level.append(float(piece.weight[group].sum()))
    return weighted_median(np.array(late_ms), np.sqrt(np.array(level)))

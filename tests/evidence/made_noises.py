"""What disturbs a take, and takes that differ only as people do: for noises while people play.

Coughs, chairs, talk and telephones are made of noise and tones by their usual course: a cough
bursts, then breathes out; a chair knocks; a mute bounces; talk has a voice and formants that move
from syllable to syllable; a telephone warbles. Figures are from memory.

From take to take a note is played by another stroke of the bank, a little louder or softer, out of
time and out of tune, and long tones of strings have a change of bow somewhere.

Conventions
-----------
Sound is mono at `RATE`, noises as loud as 1 (root mean square).
"""

from collections.abc import Sequence

import numpy as np
import soxr
from scipy.signal import butter, lfilter, sosfilt

from retro.model.instruments import Family
from retro.model.orchestra import by_id
from tests.evidence.made_ensembles import RATE, Piece
from tests.evidence.made_orchestra import (
    DESK_CENTS,
    DESK_MS,
    DESKS,
    NOTE_MS,
    SEATS,
    SECTION_MS,
    Tone,
    seat_of,
)

STROKES = ((0, 0), (1, -6), (-1, 6), (2, 3), (-2, -3))
"""Semitones and velocity by which the sound of a note is another one."""

COMMON_MS = (10.0, 50.0)
NOTE_DB, SECTION_DB, PLAYER_CENTS = 1.5, 1.0, 3.0
"""Deviations of the level of a note and of a section, and of the tuning of a note."""

BOW_SHARE, BOW_FADE_S, BOW_ATTACK_S = 0.5, 0.05, 0.15
"""How many long tones of strings have a change of bow, and how it goes."""


def _times_s(length_s: float) -> np.ndarray:
    return np.arange(round(length_s * RATE)) / RATE


def _as_loud_as_one(sound: np.ndarray) -> np.ndarray:
    return sound / np.sqrt(np.mean(sound**2))


def _band(sound: np.ndarray, low_hz: float, high_hz: float) -> np.ndarray:
    return sosfilt(butter(2, (low_hz, high_hz), "band", fs=RATE, output="sos"), sound)


def _pulses(hz: np.ndarray, fall: float) -> np.ndarray:
    """Return what a voice is made of: pulses that are dull by `fall`."""
    phase = np.cumsum(hz) / RATE
    return lfilter([1.0], [1.0, -fall], (np.diff(np.floor(phase), prepend=0) > 0).astype(float))


def cough(chance: np.random.Generator) -> np.ndarray:
    """Return a cough of a third of a second."""
    t_s = _times_s(0.35)
    burst = np.where(t_s < 0.004, t_s / 0.004, np.exp(-(t_s - 0.004) / 0.05))
    breath = 0.35 * np.exp(-(((t_s - 0.19) / 0.06) ** 2))
    air = _as_loud_as_one(_band(chance.standard_normal(t_s.size), 350.0, 3_500.0))
    voice = _as_loud_as_one(_pulses(np.full(t_s.size, chance.uniform(150.0, 260.0)), 0.95))
    return _as_loud_as_one((air + 0.3 * voice * (t_s > 0.12)) * (burst + breath))


def chair(chance: np.random.Generator) -> np.ndarray:
    """Return the knock of a chair."""
    t_s = _times_s(0.12)
    knock = sosfilt(
        butter(1, 500.0, fs=RATE, output="sos"),
        chance.standard_normal(t_s.size) * np.exp(-t_s / 0.015),
    )
    tones_hz = chance.uniform((150.0, 350.0, 800.0, 1_500.0), (250.0, 600.0, 1_200.0, 2_500.0))
    for hz, decay_s in zip(tones_hz, (0.06, 0.05, 0.03, 0.02), strict=True):
        knock = knock + 0.15 * np.exp(-t_s / decay_s) * np.sin(2.0 * np.pi * hz * t_s)
    return _as_loud_as_one(knock)


def mute(chance: np.random.Generator) -> np.ndarray:
    """Return a mute that falls down and bounces."""
    t_s = _times_s(0.5)
    heard = np.zeros(t_s.size)
    for at_s, gain in zip((0.0, 0.16, 0.27, 0.34), (1.0, 0.6, 0.35, 0.2), strict=True):
        since_s, is_on = np.maximum(t_s - at_s, 0.0), t_s >= at_s
        for hz in chance.uniform((700.0, 1_800.0, 3_500.0), (1_200.0, 2_800.0, 6_000.0)):
            ring = np.exp(-since_s / 0.03) * np.sin(2.0 * np.pi * hz * since_s)
            heard += is_on * gain * ring
        heard += is_on * 0.5 * gain * np.exp(-since_s / 0.006) * chance.standard_normal(t_s.size)
    return _as_loud_as_one(heard)


def talk(chance: np.random.Generator) -> np.ndarray:
    """Return four syllables."""
    t_s = _times_s(0.9)
    hz = chance.uniform(100.0, 220.0) * (1.0 + 0.1 * np.sin(3.0 * np.pi * t_s))
    voice = _pulses(hz, 0.97)
    said = np.zeros(t_s.size)
    for syllable in np.array_split(np.arange(t_s.size), 4):
        vowel = voice
        formants_hz = chance.uniform((300.0, 900.0, 2_200.0), (800.0, 2_000.0, 3_000.0))
        for formant_hz, wide_hz in zip(formants_hz, (80.0, 110.0, 160.0), strict=True):
            pole = np.exp(-np.pi * wide_hz / RATE)
            turn = 2.0 * pole * np.cos(2.0 * np.pi * formant_hz / RATE)
            vowel = lfilter([1.0 - pole], [1.0, -turn, pole**2], vowel)
        shape = np.zeros(t_s.size)
        shape[syllable] = np.hanning(syllable.size) ** 0.5
        hiss = 0.1 * chance.standard_normal(t_s.size) * (chance.random() < 0.5)
        said += (_as_loud_as_one(vowel) + _band(hiss, 4_000.0, 9_000.0)) * shape
    return _as_loud_as_one(said)


def telephone(chance: np.random.Generator) -> np.ndarray:
    """Return a telephone that warbles."""
    t_s = _times_s(0.8)
    hz = chance.uniform(900.0, 2_000.0) * np.where((t_s * 12.0).astype(int) % 2, 1.0, 1.26)
    phase = 2.0 * np.pi * np.cumsum(hz) / RATE
    return _as_loud_as_one(sum(np.sin(k * phase) / k for k in range(1, 6)))


NOISES = {"cough": cough, "chair": chair, "mute": mute, "talk": talk, "telephone": telephone}


def played_by_people(strokes: Sequence[Piece], seed: int) -> list[Tone]:
    """Return what the players do in one take; `strokes` are the same piece by every stroke."""
    chance = np.random.default_rng(seed)
    common_ms = chance.uniform(*COMMON_MS)
    late_ms = {seat: common_ms + SECTION_MS * chance.standard_normal() for seat in sorted(SEATS)}
    loud_db = {seat: SECTION_DB * chance.standard_normal() for seat in sorted(SEATS)}
    tones = []
    for index, note in enumerate(strokes[0].plan.notes):
        instrument = strokes[0].plan.parts[note.part].instrument
        seat = seat_of(instrument)
        is_bowed = by_id(instrument).family is Family.STRINGS
        desks = DESKS if is_bowed else 1
        own_ms = late_ms[seat] + NOTE_MS * chance.standard_normal()
        for _ in range(desks):
            sound = _stroke(strokes, index, chance, DESK_CENTS if is_bowed else PLAYER_CENTS)
            length_s = note.played_off_s - note.played_on_s
            if is_bowed and length_s > 1.0 and chance.random() < BOW_SHARE:
                further = _stroke(strokes, index, chance, DESK_CENTS)
                sound = _with_change(sound, further, chance.uniform(0.3, length_s - 0.3))
            desk_ms = DESK_MS * chance.standard_normal() if is_bowed else 0.0
            first_s = strokes[0].start_s[index] + (own_ms + desk_ms) / 1000.0
            gain_db = loud_db[seat] + NOTE_DB * chance.standard_normal()
            gain = 10.0 ** (gain_db / 20.0) / np.sqrt(desks)
            tones.append(Tone(index, seat, round(first_s * RATE), gain * sound))
    return tones


def _stroke(
    strokes: Sequence[Piece], index: int, chance: np.random.Generator, deviation_cents: float
) -> np.ndarray:
    sound = strokes[chance.integers(len(strokes))].sounds[index]
    cents = deviation_cents * chance.standard_normal()
    return soxr.resample(sound, RATE, RATE / 2.0 ** (cents / 1200.0), quality="LQ")


def _with_change(sound: np.ndarray, further: np.ndarray, at_s: float) -> np.ndarray:
    """Return a tone with a change of bow: it fades, and another stroke begins over it."""
    at = round(at_s * RATE)
    before, after = sound.copy(), np.zeros(len(sound))
    fade = before[at : at + round(BOW_FADE_S * RATE)]
    fade *= np.linspace(1.0, 0.0, len(fade))
    before[at + len(fade) :] = 0.0
    after[at:] = sound[at:]
    begins = further[: min(round(BOW_ATTACK_S * RATE), max(len(sound) - at, 0))]
    into = np.linspace(0.0, 1.0, len(begins))
    after[at : at + len(begins)] = after[at : at + len(begins)] * into + begins * (1.0 - into)
    return before + after

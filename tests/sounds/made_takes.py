"""Made takes of an insert whose players have known attacks and decays.

People put the perceived onset on the click, each note a little beside it; their tones rise and fall
by the sound law, in a room of decaying noise, with noise over all.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np
from scipy.signal import oaconvolve

from retro.model.instruments import Sound
from retro.model.orchestra import by_id
from retro.model.sound import Room, rise_s, risen
from retro.plan.compose import plan_file
from retro.plan.document import plan_json
from retro.read.plan_file import PlanFile, parse_plan
from retro.read.settings import load_settings
from retro.units import pitch_to_hz

LEAD_S, TAIL_S = 2.0, 3.0
LOWEST = {
    "Oboe": (64, 68),
    "Horn in F": (50, 60),
    "Trumpet in C": (60, 56),
    "Bassoon": (41, 70),
    "Violin I": (62, 48),
    "Cello": (43, 48),
    "Harp": (50, 46),
    "Timpani": (41, 47),
}
"""Lowest pitch and program of who may play."""

SCALE = (0, 2, 4, 5, 7, 9, 11, 12, 14, 16)
TICKS, MS_A_BEAT = 480, 600

Figures = Mapping[str, tuple[float, float]]
"""Attack and decay in seconds by player."""


@dataclass(frozen=True, kw_only=True)
class Note:
    """A note of a study, in quarter notes."""

    at: float
    length: float
    pitch: int
    velocity: int


def taking_turns(names: Sequence[str], *, bars: int, seed: int = 1) -> dict[str, list[Note]]:
    """Return notes that stand alone: the players take turns, with a rest after each."""
    chance = np.random.default_rng(seed)
    notes: dict[str, list[Note]] = {name: [] for name in names}
    at, turn = 0.0, 0
    while at < 4 * bars - 2:
        name = names[turn % len(names)]
        length = float(chance.choice([1.0, 1.5, 2.0]))
        notes[name].append(_note(name, at, length, chance))
        at, turn = at + length + 1.0, turn + 1
    return notes


def all_at_once(names: Sequence[str], *, bars: int, seed: int = 1) -> dict[str, list[Note]]:
    """Return a dense texture: every player goes by the own rhythm and rests now and then."""
    chance = np.random.default_rng(seed)
    notes: dict[str, list[Note]] = {name: [] for name in names}
    for name in names:
        at = float(chance.choice([0.0, 0.5, 1.0, 2.0]))
        while at < 4 * bars - 1:
            length = min(float(chance.choice([1.0, 1.5, 2.0, 3.0])), 4 * bars - at)
            notes[name].append(_note(name, at, length, chance))
            at += length + float(chance.choice([0.0, 0.0, 1.0, 1.0, 2.0]))
    return notes


def _note(name: str, at: float, length: float, chance: np.random.Generator) -> Note:
    pitch = LOWEST[name][0] + int(chance.choice(SCALE))
    return Note(at=at, length=length, pitch=pitch, velocity=int(chance.integers(45, 110)))


def write_song(path: Path, notes: Mapping[str, Sequence[Note]], *, bars: int) -> Path:
    """Write a study as MIDI and return its path."""
    song = mido.MidiFile(type=1, ticks_per_beat=TICKS)
    head = mido.MetaMessage("set_tempo", tempo=1000 * MS_A_BEAT)
    song.tracks.append(mido.MidiTrack([head]))
    for channel, (name, own) in enumerate(notes.items()):
        events = []
        for note in own:
            about = {"channel": channel, "note": note.pitch}
            on, off = (round(at * TICKS) for at in (note.at, note.at + note.length))
            events.append((on, 1, mido.Message("note_on", velocity=note.velocity, **about)))
            events.append((off, 0, mido.Message("note_off", **about)))
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
        track.append(mido.Message("program_change", channel=channel, program=LOWEST[name][1]))
        now = 0
        for at, _, message in sorted(events, key=lambda event: event[:2]):
            track.append(message.copy(time=at - now))
            now = at
        track.append(mido.MetaMessage("end_of_track", time=4 * bars * TICKS - now))
        song.tracks.append(track)
    song.save(path)
    return path


def plan_of(path: Path, room: Room) -> PlanFile:
    """Return the plan of a study's insert in a room."""
    return parse_plan(plan_text(path, room), where="plan.json")


def plan_text(path: Path, room: Room) -> bytes:
    """Return the bytes of that plan."""
    told = {
        "reverberation_s": room.reverberation_s,
        "direct_to_reverberant_db": room.direct_to_reverberant_db,
    }
    return plan_json(plan_file(path, load_settings(None, told)))


def take_of(
    plan: PlanFile,
    figures: Figures,
    *,
    rate: int = 48_000,
    room: Room | None = None,
    noise_db: float = -30.0,
    late_s: float = 0.0,
    apart_s: float = 0.012,
    gain: float = 0.5,
    gains: Mapping[str, float] | None = None,
    lead_s: float = LEAD_S,
    seed: int = 0,
    microphone: int = 0,
) -> np.ndarray:
    """Return what a microphone hears, the insert's bar 1 beat 1 at `lead_s`.

    Parameters
    ----------
    late_s, apart_s
        How late all players are, and the deviation of single notes.
    gain
        Peak of the file.
    gains
        How strong each player is at the microphone; 1 where not said.
    microphone
        Which of several: each has noise and an answer of the room of its own.
    """
    chance = np.random.default_rng(seed)
    sound = np.zeros(round((lead_s + float(plan.length_s) + TAIL_S) * rate))
    seconds_at = plan.insert_tempo.seconds_at
    for note in plan.notes:
        part = plan.parts[note.part]
        attack_s, decay_s = figures[part.name]
        on_s, off_s = (
            float(seconds_at(at)) + late_s + apart_s * chance.standard_normal()
            for at in (note.written_on_beats, note.written_off_beats)
        )
        start_s = on_s - float(rise_s(plan.settings.onset_db, attack_s))
        is_struck = by_id(part.instrument).sound is Sound.STRUCK
        tone = _tone(
            note.pitch,
            attack_s=attack_s,
            decay_s=decay_s,
            held_s=max(off_s - start_s, 0.08),
            is_struck=is_struck,
            rate=rate,
            chance=chance,
        )
        strength = 0.1 * (note.velocity / 127.0) ** 2 * (gains or {}).get(part.name, 1.0)
        first = round((start_s + lead_s) * rate)
        there = sound[first : first + tone.size]
        there += strength * tone[: there.size]
    music = slice(round(lead_s * rate), round((lead_s + float(plan.length_s)) * rate))
    loud = float(np.sqrt(np.mean(sound[music] ** 2)))
    if room is not None:
        sound = oaconvolve(sound, _answer(room, rate, seed + 1000 * microphone))[: sound.size]
    noises = [chance.standard_normal(sound.size) for _ in range(microphone + 1)]
    sound += noises[-1] * loud * 10.0 ** (noise_db / 20.0)
    return sound * (gain / np.abs(sound).max())


def _tone(
    pitch: int,
    *,
    attack_s: float,
    decay_s: float,
    held_s: float,
    is_struck: bool,
    rate: int,
    chance: np.random.Generator,
) -> np.ndarray:
    t_s = np.arange(round((held_s + min(decay_s, 2.0)) * rate)) / rate
    fallen_s = t_s if is_struck else np.maximum(t_s - held_s, 0.0)
    shape = np.sqrt(risen(t_s, attack_s)) * 10.0 ** (-3.0 * fallen_s / decay_s)
    hz = pitch_to_hz(pitch) * 2.0 ** (chance.normal(0.0, 5.0) / 1200.0)
    wave = np.zeros(t_s.size)
    for partial in range(1, 9):
        strength = 10.0 ** (chance.normal(0.0, 2.0) / 20.0) / partial
        phase = chance.uniform(0.0, 2.0 * math.pi)
        if partial * hz < 0.45 * rate:
            wave += strength * np.sin(2.0 * math.pi * partial * hz * t_s + phase)
    return shape * wave


def _answer(room: Room, rate: int, seed: int) -> np.ndarray:
    t_s = np.arange(round(1.1 * room.reverberation_s * rate)) / rate
    tail = np.random.default_rng(seed + 1).standard_normal(t_s.size)
    tail *= 10.0 ** (-3.0 * t_s / room.reverberation_s)
    tail *= math.sqrt(room.share / np.sum(tail * tail))
    tail[0] += 1.0
    return tail

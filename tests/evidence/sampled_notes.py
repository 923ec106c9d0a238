"""Notes of a plan played one by one by a sampler, and where each is heard to begin and to end.

The sampler is fluidsynth with a sound bank that knows nothing of retro. Every distinct note (sound,
pitch, velocity, length, controllers) is rendered once, alone; rooms are noise that decays, laid on
afterwards. An edge is where the energy crosses a threshold below the note's full level, read
through windows that look into the sound alone: before the instant where it begins, behind it where
it ends. The full level is the greatest mean over 125 ms, the time that sound level meters call fast
(IEC 61672-1): in shorter windows the beats of a section, and the waves that a room adds up by
chance, stand several decibels above it for a moment. A note whose sample has fallen below the
threshold by the time it is let go has no onset once it is turned round, and is not judged there.

Conventions
-----------
Sound is mono at `RATE`. Times are seconds from a note's note-on, errors milliseconds, heard minus
wanted.
"""

import math
import subprocess
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np
import soundfile
from scipy.signal import fftconvolve, resample_poly

from retro.model.instruments import Sound
from retro.model.performance import Performance, PlayedNote
from retro.model.phrase import EXPRESSION, MODULATION, VOLUME, Part
from retro.model.sound import Room
from retro.units import pitch_to_hz

FLUID_R3 = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
TIM_GM = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")
"""A bank that no rule was tuned to; recordings that it shares: `shared_recordings`."""

PATCHES = ".cfg"
"""What names patches, for timidity, and no SoundFont 2."""

RATE = 24_000
PLAYED_FASTER = 2
"""Fluidsynth notes events every 64 frames, at `RATE` up to 4 ms late; so it plays faster."""

TICKS = 10_000
"""Ticks a quarter note of one second."""

TAIL_S = 3.0
BATCH = 120
DRY = None
DROP_DB = 10.0
MIN_WINDOW_S, MAX_WINDOW_S = 0.004, 0.02
"""A period of the note, between these."""

FULL_S = 0.125
"""What the full level is a mean over (IEC 61672-1, time weighting F)."""

Key = tuple[int, int, int, int, int, tuple[tuple[int, int, int], ...]]
"""Channel, program, pitch, velocity, ticks held, and (tick, controller, value)."""


@dataclass(frozen=True)
class Edges:
    """Seconds from a note-on until the note is heard, and until it no longer is.

    `is_held` says whether it is loud enough to be heard when it is let go.
    """

    begins_s: float
    ends_s: float
    is_held: bool


@dataclass(frozen=True)
class Errors:
    """Errors of some notes; each is a list over notes. Onsets are paired, NaN where not judged."""

    sustained_ms: tuple[float, ...]
    struck_ms: tuple[float, ...]
    onset_ms: tuple[float, ...]


def key_of(note: PlayedNote, part: Part, performance: Performance) -> Key:
    """Return what the sampler gets for a note of `played.mid`.

    A part that asks for no program gets the first of its player's instrument. Controllers have
    their first values from the file's start on, before bar 1 too, where early notes begin.
    """
    tempo = performance.insert.tempo
    held = max(round((note.played_off_s - note.played_on_s) * TICKS), 1)
    changes = []
    for number, steps in part.controllers:
        if number not in (MODULATION, VOLUME, EXPRESSION):
            continue
        for start, _, value in steps.spans():
            at_s = float(tempo.seconds_at(start)) if start > 0 else -math.inf
            tick = round(max(at_s - note.played_on_s, 0.0) * TICKS)
            if tick < held:
                changes.append((tick, number, value))
    last_before = {number: tick for tick, number, _ in changes if tick == 0}
    kept = []
    for index, (tick, number, value) in enumerate(changes):
        later = any(t == 0 and n == number for t, n, _ in changes[index + 1 :])
        if not (number in last_before and tick == 0 and later):
            kept.append((tick, number, value))
    channel = 9 if part.channel == 9 else 0
    usual = performance.players[note.part].instrument.programs or (0,)
    program = usual[0] if part.program is None else part.program
    return channel, program, note.target.pitch, note.target.velocity, held, tuple(kept)


def one_by_one(
    keys: Sequence[Key],
    folder: Path,
    bank: Path,
    *,
    rate: int,
    setup: Sequence[tuple[int, int]] = ((121, 0), (VOLUME, 100)),
    flags: Sequence[str] = (),
) -> tuple[list[int], np.ndarray]:
    """Return the ticks at which notes are switched on one by one, and their sound, mono.

    `setup` has the (controller, value) that stand before every note, `flags` go to fluidsynth.
    """
    starts, events, now = [], [], 0
    for channel, program, pitch, velocity, held, changes in keys:
        about = {"channel": channel}
        for number, value in setup:
            message = mido.Message("control_change", control=number, value=value, **about)
            events.append((now, message))
        events.append((now, mido.Message("program_change", program=program, **about)))
        on = now + TICKS // 10
        for tick, number, value in changes:
            message = mido.Message("control_change", control=number, value=value, **about)
            events.append((on + tick - (tick == 0), message))
        note = {"note": pitch, **about}
        events.append((on, mido.Message("note_on", velocity=velocity, **note)))
        events.append((on + held, mido.Message("note_off", **note)))
        starts.append(on)
        now = on + held + round(TAIL_S * TICKS)
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=1_000_000)])
    last = 0
    for tick, message in sorted(events, key=lambda event: event[0]):
        track.append(message.copy(time=tick - last))
        last = tick
    track.append(mido.MetaMessage("end_of_track", time=now - last))
    midi, wav = folder / "notes.mid", folder / "notes.wav"
    mido.MidiFile(type=1, ticks_per_beat=TICKS, tracks=[track]).save(midi)
    player = _of_patches if bank.suffix == PATCHES else _of_a_bank
    quiet = subprocess.DEVNULL
    command = [*player(bank, midi, wav, rate), *flags]
    subprocess.run(command, check=True, stdout=quiet, stderr=quiet)
    samples, _ = soundfile.read(wav, dtype="float32", always_2d=True)
    return starts, samples.mean(axis=1)


def _of_a_bank(bank: Path, midi: Path, wav: Path, rate: int) -> list[str]:
    """Return how fluidsynth plays a bank, without effects."""
    plain = ["-ni", "-q", "-C", "0", "-R", "0", "-r", str(rate), "-O", "float", "-T", "wav"]
    return ["fluidsynth", *plain, "-F", str(wav), str(bank), str(midi)]


def _of_patches(bank: Path, midi: Path, wav: Path, rate: int) -> list[str]:
    """Return how timidity plays the patches of a configuration, without effects."""
    plain = ["-Ow2", "-s", str(rate), "-EFreverb=d", "-EFchorus=d", "--preserve-silence"]
    return ["timidity", "-c", str(bank), *plain, "-o", str(wav), str(midi)]


class Sampler:
    """Fluidsynth with one bank; it remembers what it has played."""

    def __init__(self, folder: Path, bank: Path = FLUID_R3) -> None:
        self._folder, self._bank = folder, bank
        self._heard: dict[tuple[Key, Room | None], Edges] = {}

    def listen(self, keys: Iterable[Key], rooms: Sequence[Room | None]) -> None:
        """Play what has not been played yet, and keep its edges in every room."""
        fresh = [key for key in dict.fromkeys(keys) if (key, rooms[0]) not in self._heard]
        for first in range(0, len(fresh), BATCH):
            batch = fresh[first : first + BATCH]
            starts, sound = self.play(batch)
            for room in rooms:
                self._keep(batch, starts, heard_in(sound, room), room)

    def edges(self, key: Key, room: Room | None) -> Edges:
        """Return the edges of a note that was played."""
        return self._heard[key, room]

    def play(self, keys: Sequence[Key]) -> tuple[list[float], np.ndarray]:
        """Return the seconds at which each note is switched on, and the sound of them all."""
        starts, sound = one_by_one(keys, self._folder, self._bank, rate=RATE * PLAYED_FASTER)
        return [on / TICKS for on in starts], resample_poly(sound, 1, PLAYED_FASTER)

    def _keep(
        self, keys: Sequence[Key], starts: Sequence[float], sound: np.ndarray, room: Room | None
    ) -> None:
        for key, start_s in zip(keys, starts, strict=True):
            self._heard[key, room] = edges_at(sound, key, start_s)


def heard_in(sound: np.ndarray, room: Room | None, seed: int = 1) -> np.ndarray:
    """Return a sound with its room: noise that decays, as strong as the room's share."""
    if room is None:
        return sound
    t_s = np.arange(round(room.reverberation_s * RATE)) / RATE
    noise = np.random.default_rng(seed).standard_normal(t_s.size)
    tail = noise * 10.0 ** (-3.0 * t_s / room.reverberation_s)
    tail *= np.sqrt(room.share / np.sum(tail * tail))
    tail[0] += 1.0
    return np.asarray(fftconvolve(sound, tail)[: sound.size])


def window_of(pitch: int) -> int:
    """Return the samples that the energy of a tone is read over."""
    return round(min(max(1.0 / pitch_to_hz(pitch), MIN_WINDOW_S), MAX_WINDOW_S) * RATE)


def edges_at(sound: np.ndarray, key: Key, start_s: float) -> Edges:
    """Return the edges of a note that is switched on somewhere in a sound."""
    first = round(start_s * RATE)
    last = first + round((key[4] / TICKS + TAIL_S - 0.1) * RATE)
    return edges_of(sound[first:last], key[2], key[4] / TICKS)


def edges_of(sound: np.ndarray, pitch: int, held_s: float) -> Edges:
    """Return where a note alone crosses the threshold; NaN where it never sounds."""
    width = window_of(pitch)
    slow = max(round(min(FULL_S, held_s / 2.0) * RATE), width)
    sums = np.concatenate(([0.0], np.cumsum(np.square(sound, dtype=float))))
    before = np.maximum(np.arange(sound.size) - width, 0)
    behind = np.minimum(np.arange(sound.size) + width, sound.size)
    until, after = sums[:-1] - sums[before], sums[behind] - sums[:-1]
    means = (sums[slow:] - sums[:-slow]) * width / slow
    if means.max() <= 1e-12:
        return Edges(np.nan, np.nan, is_held=False)
    threshold = means.max() * 10.0 ** (-DROP_DB / 10.0)
    begins = np.flatnonzero(until >= threshold)[0]
    ends = np.flatnonzero(after >= threshold)[-1]
    at_stop = means[max(min(round(held_s * RATE), sound.size) - slow, 0)]
    return Edges(float(begins) / RATE, float(ends) / RATE, is_held=bool(at_stop >= threshold))


def errors_of(
    performance: Performance, wanted: Performance, sampler: Sampler, room: Room | None
) -> Errors:
    """Return the errors of a performance that was listened to, against what `wanted` wants.

    Only notes that have the moment in `wanted` count.
    """
    length_s = float(performance.target.length_s)
    sustained, struck, onsets = [], [], []
    for note, plan in zip(performance.notes, wanted.notes, strict=True):
        player = performance.players[plan.part]
        edges = sampler.edges(key_of(note, performance.insert.parts[note.part], performance), room)
        if plan.lands_s is not None and not np.isnan(edges.begins_s):
            lands_s = length_s - note.played_on_s - edges.begins_s
            wanted_s = plan.target_on_s if player.lands_at_start else plan.target_off_s
            is_struck = player.instrument.sound is Sound.STRUCK
            (struck if is_struck else sustained).append(1000.0 * (lands_s - wanted_s))
        if plan.onset_error_ms is not None:
            begins_s = length_s - note.played_on_s - edges.ends_s
            error_ms = 1000.0 * (begins_s - plan.target_on_s)
            onsets.append(error_ms if edges.is_held else np.nan)
    return Errors(tuple(sustained), tuple(struck), tuple(onsets))


def keys_of(performance: Performance) -> list[Key]:
    """Return what the sampler gets for a performance."""
    parts = performance.insert.parts
    return [key_of(note, parts[note.part], performance) for note in performance.notes]


def mean_ms(errors_ms: Sequence[float], *, nudged: bool = False) -> float:
    """Return the mean absolute error, after a constant nudge if asked; NaN of none."""
    errors = np.asarray(errors_ms)
    errors = errors[~np.isnan(errors)]
    if not errors.size:
        return float("nan")
    return float(np.mean(np.abs(errors - (np.median(errors) if nudged else 0.0))))

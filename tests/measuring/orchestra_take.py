"""Takes for the measuring tests: a small insert, played by a soundfont or by plain tones.

The soundfont synthesiser is fluidsynth with FluidR3 (Debian `fluidsynth`, `fluid-soundfont-gm`):
real sampled instruments, nothing of our own.
"""

import shutil
import subprocess
from pathlib import Path

import mido
import numpy as np
import soundfile
from scipy.signal import fftconvolve

from retro.model.settings import Settings
from tests.conftest import make_note, make_part
from tests.plan_fixtures import make_plan_document, make_song, make_window

RATE = 48_000
LEAD_S = 2.0
"""Take time of the insert's bar 1 beat 1."""

SOUNDFONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
MISSING = (
    "needs fluidsynth and the FluidR3 soundfont (Debian: fluidsynth, fluid-soundfont-gm)"
    if shutil.which("fluidsynth") is None or not SOUNDFONT.is_file()
    else ""
)

PROGRAMS = (48, 60, 73, 42, 68, 41)
"""General MIDI strings, horn, flute, cello, oboe and viola."""

MIN_FIFTHS = (62, 55, 76, 43, 67, 52)
"""Lowest pitch of each part."""

TICKS_A_SECOND = 60_000


def ensemble_song(seed: int, parts_count: int):
    """Return a song whose bars 5 to 8 are a made-up texture."""
    chance = np.random.default_rng(seed)
    scale = (0, 2, 4, 5, 7, 9, 11, 12)
    parts = []
    for lowest in MIN_FIFTHS[:parts_count]:
        notes, at = [], 16.0
        while at < 32.0:
            length = min(float(chance.choice([0.5, 1, 1, 2, 3])), 32.0 - at)
            if chance.random() < 0.85:
                pitch = lowest + scale[chance.integers(len(scale))]
                notes.append(make_note(at, at + length, pitch, int(chance.integers(60, 110))))
            at += length
        parts.append(make_part(*notes))
    return make_song(parts=tuple(parts))


def ensemble_plan(seed: int, parts_count: int = 3) -> dict[str, object]:
    """Return the plan of that texture's insert."""
    song = ensemble_song(seed, parts_count)
    return make_plan_document(song, make_window(song), Settings())


def played(plan, late_s=0.0) -> list[tuple[int, float, float, int, int]]:
    """Return (part, on, off, pitch, velocity) as people play what is written, `late_s` late."""
    notes = []
    for note, attack_s in zip(plan.notes, spoken(plan), strict=True):
        length_s = max(note.played_off_s - note.played_on_s - note.attack_s, 0.1)
        on_s = attack_s + late_s
        notes.append((note.part, on_s, on_s + length_s, note.pitch, note.velocity))
    return notes


def spoken(plan) -> list[float]:
    """Return the written speaking time of every note."""
    return [
        float(plan.length_s)
        - note.lands_s
        + (note.landing_error_ms - note.written_landing_error_ms) / 1000
        for note in plan.notes
    ]


def soundfont_take(plan, folder: Path, late_s: float = 0.0, tail_s: float = 4.0) -> np.ndarray:
    """Render what is written with fluidsynth, dry, one channel."""
    song = mido.MidiFile(ticks_per_beat=TICKS_A_SECOND // 2)
    notes = played(plan, late_s)
    for part, program in enumerate(PROGRAMS):
        events = [(0, 0, mido.Message("program_change", channel=part, program=program))]
        for of, on_s, off_s, pitch, velocity in notes:
            if of == part:
                on, off = (round((at + LEAD_S) * TICKS_A_SECOND) for at in (on_s, off_s))
                for at, order, kind in ((on, 2, "note_on"), (off, 1, "note_off")):
                    message = mido.Message(kind, channel=part, note=pitch, velocity=velocity)
                    events.append((at, order, message))
        track = mido.MidiTrack()
        now = 0
        for at, _, message in sorted(events, key=lambda event: event[:2]):
            track.append(message.copy(time=at - now))
            now = at
        song.tracks.append(track)
    end_s = max(off_s for _, _, off_s, _, _ in notes) + LEAD_S + tail_s
    last = mido.Message("note_on", channel=15, note=0, velocity=1, time=int(end_s * TICKS_A_SECOND))
    song.tracks.append(mido.MidiTrack([last]))
    song.save(folder / "take.mid")
    quiet = ("-ni", "-g", "0.6", "-R", "0", "-C", "0", "-r", str(RATE), "-z", "64")
    out = ("-O", "float", "-T", "wav", "-F", str(folder / "take.wav"))
    files = (str(SOUNDFONT), str(folder / "take.mid"))
    command = [str(shutil.which("fluidsynth")), *quiet, *out, *files]
    subprocess.run(command, check=True, capture_output=True)
    heard, _ = soundfile.read(folder / "take.wav")
    return heard.mean(axis=1)[: int(end_s * RATE)]


def tone_take(plan, late_s=0.0, *, attack_s: float = 0.0, stretch: float = 1.0) -> np.ndarray:
    """Play what is written with plain tones of four partials, linear attack, 50 ms release."""
    notes = played(plan)
    end_s = max(off_s for _, _, off_s, _, _ in notes) * stretch + LEAD_S + 4.0
    heard = np.zeros(int(end_s * RATE))
    for _, on_s, off_s, pitch, velocity in notes:
        length_s = off_s - on_s
        t = np.arange(int((length_s + 0.05) * RATE)) / RATE
        shape = np.clip(t / max(attack_s, 1e-4), 0, 1) * np.clip((length_s + 0.05 - t) / 0.05, 0, 1)
        hz = 440 * 2 ** ((pitch - 69) / 12)
        tone = sum(np.sin(2 * np.pi * hz * k * t + k) / k for k in range(1, 5)) * shape
        start = round((on_s * stretch + late_s + LEAD_S) * RATE)
        heard[start : start + len(tone)] += tone * (velocity / 127) ** 2 * 0.1
    return heard


def in_room(heard: np.ndarray, reverberation_s: float, ratio_db: float = 0.0, seed: int = 1):
    """Add an exponential room: decaying noise from 10 ms on."""
    t = np.arange(int(reverberation_s * RATE)) / RATE
    answer = np.random.default_rng(seed).standard_normal(len(t)) * 10 ** (-3 * t / reverberation_s)
    answer[: RATE // 100] = 0
    answer *= 10 ** (-ratio_db / 20) / np.sqrt(np.sum(answer**2))
    return heard + fftconvolve(heard, answer)[: len(heard)]


def with_noise(heard: np.ndarray, ratio_db: float, seed: int = 1) -> np.ndarray:
    """Add white noise so far below the mean level."""
    noise = np.random.default_rng(seed).standard_normal(len(heard))
    return heard + noise * np.sqrt(np.mean(heard**2)) * 10 ** (-ratio_db / 20)


def with_clicks(heard: np.ndarray, document, level_db: float = -30.0) -> np.ndarray:
    """Let the click bleed in, so far below the peak."""
    t = np.arange(RATE // 50) / RATE
    click = np.sin(2 * np.pi * 1500 * t) * np.exp(-t / 0.004)
    bled = heard.copy()
    for beat in document["insert"]["clicks"]:
        at = round((beat["at_s"] + LEAD_S) * RATE)
        if 0 <= at < len(heard) - len(click):
            bled[at : at + len(click)] += click * np.abs(heard).max() * 10 ** (level_db / 20)
    return bled

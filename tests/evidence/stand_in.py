"""A stand-in for an orchestra: real samples played by fluidsynth, and what is heard in them.

Conventions
-----------
Sound is mono, float, at `RATE`. Times are seconds from its first frame. A *rise* is a growth of
energy per pitch class, as an ear takes for an attack; a *fall* is a rise of the reversed sound.
"""

import io
import shutil
import subprocess
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

RATE = 48_000
SOUNDFONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
HOP, SIZE, BACK = 48, 1024, 8
"""Frames between and inside the analysed windows, and windows over which a rise is taken."""

TICKS = 480
REACH_S = 0.2
"""Shifts to both sides that are tried."""

needs_orchestra = pytest.mark.skipif(
    shutil.which("fluidsynth") is None or not SOUNDFONT.exists(),
    reason="needs fluidsynth and the FluidR3 GM soundfont (Debian: fluidsynth, fluid-soundfont-gm)",
)


@dataclass(frozen=True)
class Line:
    """A line for one General MIDI program: (on, off, pitch), quarter notes at `bpm`."""

    name: str
    program: int
    notes: tuple[tuple[float, float, int], ...]
    bpm: int = 90

    @property
    def midi(self) -> bytes:
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=self.name)])
        track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(self.bpm)))
        track.append(mido.Message("program_change", program=self.program))
        events = [(on, "note_on", pitch) for on, _, pitch in self.notes]
        events += [(off, "note_off", pitch) for _, off, pitch in self.notes]
        now = 0
        for at, kind, pitch in sorted(events):
            tick = int(at * TICKS)
            track.append(mido.Message(kind, note=pitch, velocity=90, time=tick - now))
            now = tick
        track.append(mido.MetaMessage("end_of_track", time=8 * TICKS))
        buffer = io.BytesIO()
        mido.MidiFile(type=1, ticks_per_beat=TICKS, tracks=[track]).save(file=buffer)
        return buffer.getvalue()

    @property
    def on_s(self) -> np.ndarray:
        return np.array([on for on, _, _ in self.notes]) * 60.0 / self.bpm

    @property
    def off_s(self) -> np.ndarray:
        return np.array([off for _, off, _ in self.notes]) * 60.0 / self.bpm


def recorded(midi: bytes, folder: Path, *, reverb: bool) -> Path:
    """Let fluidsynth play a MIDI file; give the stereo file of it."""
    source, sound = folder / "played.mid", folder / "played.wav"
    source.write_bytes(midi)
    flags = ["-ni", "-q", "-C", "0", "-R", str(int(reverb)), "-r", str(RATE)]
    flags += ["-o", "synth.reverb.room-size=0.8", "-o", "synth.reverb.level=0.9"]
    flags += ["-O", "float", "-T", "wav", "-F", str(sound)]
    subprocess.run(
        ["fluidsynth", *flags, str(SOUNDFONT), str(source)],
        check=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    return sound


def read_mono(path: Path) -> np.ndarray:
    """Read a sound file of `RATE` as the mean of its channels."""
    samples, rate = soundfile.read(path, always_2d=True)
    assert rate == RATE
    return samples.mean(axis=1)


def sounded(midi: bytes, folder: Path, *, reverb: bool) -> np.ndarray:
    """Return the sound of a MIDI file as fluidsynth plays it."""
    return read_mono(recorded(midi, folder, reverb=reverb))


def spectra(sound: np.ndarray, *, size: int, hop: int) -> Iterable[tuple[int, np.ndarray]]:
    """Return blocks of magnitude spectra (windows, bins) and the index of their first window."""
    windows = np.lib.stride_tricks.sliding_window_view(sound, size)[::hop]
    for first in range(0, len(windows), 2000):
        yield first, np.abs(np.fft.rfft(windows[first : first + 2000] * np.hanning(size), axis=1))


def by_pitch_class(size: int) -> np.ndarray:
    """Return the matrix (bins, 12) that sorts a spectrum from 60 Hz to 4 kHz into pitch classes."""
    hz = np.fft.rfftfreq(size, 1.0 / RATE)
    classes = np.zeros((hz.size, 12))
    heard = np.flatnonzero((hz > 60.0) & (hz < 4_000.0))
    pitches = np.rint(12.0 * np.log2(hz[heard] / 440.0) + 69.0).astype(int)
    classes[heard, pitches % 12] = 1.0
    return classes


def chroma(sound: np.ndarray, *, size: int = 4096, hop: int = 240) -> np.ndarray:
    """Return loudness by pitch class over time, (windows, 12)."""
    classes = by_pitch_class(size)
    return np.concatenate([(s**2) @ classes for _, s in spectra(sound, size=size, hop=hop)]) ** 0.25


def rises(sound: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the rise of all bands together, and when."""
    levels = np.concatenate(
        [np.log1p(1000.0 * s / SIZE) for _, s in spectra(sound, size=SIZE, hop=HOP)]
    )
    grown = np.maximum(levels[BACK:] - levels[:-BACK], 0.0).sum(axis=1)
    centres = (np.arange(grown.size) + 0.5 * BACK) * HOP + 0.5 * SIZE
    smooth = np.hanning(11)
    return np.convolve(grown, smooth / smooth.sum(), "same"), centres / RATE


def falls(sound: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the fall of all bands together, and when."""
    grown, at_s = rises(sound[::-1])
    return grown[::-1], (sound.size / RATE - at_s)[::-1]


def lateness_ms(novelty: np.ndarray, at_s: np.ndarray, instants_s: np.ndarray) -> float:
    """Return by how much the novelty is later than the instants, from the best of all shifts."""
    shifts = np.arange(-REACH_S, REACH_S, 0.0005)
    sums = [np.interp(instants_s + shift, at_s, novelty).sum() for shift in shifts]
    return 1000.0 * float(shifts[int(np.argmax(sums))])

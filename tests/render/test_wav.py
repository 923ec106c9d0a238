from pathlib import Path

import numpy as np
import pytest
import soundfile

from retro.errors import AudioError
from retro.model.settings import SoundFormat
from retro.render.wav import read_audio, to_grid, write_audio

RATE = 48_000


def noise(frames: int = 4_800, channels: int = 2) -> np.ndarray:
    return to_grid(np.random.default_rng(1).uniform(-0.9, 0.9, (frames, channels)))


@pytest.mark.parametrize("sound_format", [SoundFormat.WAV, SoundFormat.FLAC])
def test_lossless_files_give_every_sample_back_and_hold_24_bits(
    tmp_path: Path, sound_format: SoundFormat
) -> None:
    path = tmp_path / f"noise.{sound_format}"
    write_audio(path, noise(), RATE, sound_format)
    sound, rate = read_audio(path)
    assert rate == RATE
    assert np.array_equal(sound, noise())
    assert soundfile.info(path).subtype == "PCM_24"


def test_the_extremes_survive(tmp_path: Path) -> None:
    steps = np.array([[-(2**23), 2**23 - 1], [0, 1], [-1, 2**22 + 1]])
    path = tmp_path / "extremes.wav"
    write_audio(path, steps / 2**23, RATE)
    read, _ = soundfile.read(path, dtype="int32")
    assert np.array_equal(read >> 8, steps)


def test_writing_and_turning_round_commute_to_the_bit(tmp_path: Path) -> None:
    write_audio(tmp_path / "played.wav", noise(), RATE)
    write_audio(tmp_path / "flipped.wav", noise()[::-1], RATE)
    played, _ = soundfile.read(tmp_path / "played.wav", dtype="int32")
    flipped, _ = soundfile.read(tmp_path / "flipped.wav", dtype="int32")
    assert np.array_equal(flipped, played[::-1])


@pytest.mark.parametrize("sound_format", list(SoundFormat))
def test_the_same_samples_give_the_same_bytes(tmp_path: Path, sound_format: SoundFormat) -> None:
    first, again = tmp_path / "first", tmp_path / "again"
    write_audio(first, noise(), RATE, sound_format)
    write_audio(again, noise(), RATE, sound_format)
    assert first.read_bytes() == again.read_bytes()


def test_vorbis_is_near(tmp_path: Path) -> None:
    t = np.arange(RATE) / RATE
    sine = 0.2 * np.sin(2 * np.pi * 440 * t)[:, np.newaxis]
    write_audio(tmp_path / "sine.ogg", sine, RATE, SoundFormat.OGG)
    sound, rate = read_audio(tmp_path / "sine.ogg")
    assert rate == RATE
    assert sound.shape == (RATE, 1)
    assert np.max(np.abs(sound - sine)) < 0.02


def test_files_that_are_no_sound_are_refused_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "text.wav").write_text("not a sound")
    (tmp_path / "empty.wav").write_bytes(b"")
    soundfile.write(tmp_path / "none.wav", np.zeros((0, 2)), RATE)
    soundfile.write(tmp_path / "nan.wav", np.array([0.0, np.nan]), RATE, subtype="FLOAT")
    for name in ("text.wav", "empty.wav", "none.wav", "nan.wav", "missing.wav", "."):
        with pytest.raises(AudioError) as refusal:
            read_audio(tmp_path / name)
        assert "\n" not in str(refusal.value)
        assert str(tmp_path) in str(refusal.value)

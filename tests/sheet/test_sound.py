"""The sound of the sheet: what it holds stands where it stood in the preview."""

import io
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from retro.render.preview import Preview, render_preview
from retro.render.wav import Sound32
from retro.sheet.sound import sheet_audio
from tests.example import example_plan


@pytest.fixture(scope="module")
def preview() -> Preview:
    return render_preview(example_plan().performance)


def with_target(preview: Preview, target: Sound32) -> Preview:
    """Return a preview with another target."""
    levelled = replace(preview.levelled_target, sound=target)
    return replace(preview, make_target=lambda: levelled)


def test_a_tone_keeps_its_place_and_level_at_half_the_rate(preview: Preview) -> None:
    time_s = np.arange(preview.target.shape[0]) / preview.rate
    tone = (0.5 * np.sin(2 * np.pi * 1000.0 * time_s)).astype(np.float32)
    audio = sheet_audio(with_target(preview, np.stack((tone, -tone), axis=1)))
    sound, rate = soundfile.read(io.BytesIO(audio.target))
    assert rate == 24_000
    assert sound.shape == (-(-tone.size // 2), 2)
    inside = slice(1000, -1000)
    wanted = tone[::2][inside]
    assert np.abs(sound[inside, 0] - wanted).max() < 2 / 2**15
    assert np.abs(sound[inside, 1] + wanted).max() < 2 / 2**15


def test_what_a_page_cannot_hold_is_left_out_and_not_folded_down(preview: Preview) -> None:
    time_s = np.arange(preview.target.shape[0]) / preview.rate
    tone = (0.5 * np.sin(2 * np.pi * 15_000.0 * time_s)).astype(np.float32)
    audio = sheet_audio(with_target(preview, np.stack((tone, tone), axis=1)))
    sound, _ = soundfile.read(io.BytesIO(audio.target))
    assert np.abs(sound[1000:-1000]).max() < 2 / 2**15


def test_both_sounds_last_as_long(preview: Preview) -> None:
    audio = sheet_audio(preview)
    lengths = [
        soundfile.info(io.BytesIO(data)).frames / 24_000 for data in (audio.target, audio.flipped)
    ]
    assert lengths == [pytest.approx(audio.length_s, abs=1 / 24_000)] * 2

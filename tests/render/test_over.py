import numpy as np
import pytest

from retro.errors import AudioError
from retro.render.loudness import measure
from retro.render.over import lay_over, resampled
from retro.render.preview import render_preview
from retro.units import db_to_amplitude
from tests.render.performances import lone

RATE = 48_000


def song(seconds: float, rate: int = RATE, level: float = 0.1, channels: int = 2) -> np.ndarray:
    t = np.arange(int(seconds * rate)) / rate
    tone = level * np.sin(2 * np.pi * 997.0 * t)
    return np.repeat(tone[:, np.newaxis], channels, axis=1).astype(np.float32)


def test_the_phrase_lies_at_its_place_with_the_song_under_it() -> None:
    preview = render_preview(lone())
    under = song(12.0)
    laid = lay_over(preview, under, RATE, window_start_s=5.0, duck_db=-6.0)
    assert laid.sound.shape == under.shape
    assert laid.phrase_start_sample == 5 * RATE - preview.tail_samples
    first, phrase = laid.phrase_start_sample, preview.flipped
    left = laid.sound / db_to_amplitude(laid.gain_db)
    inside = slice(first + RATE * 3 // 2, first + RATE * 5 // 2)
    own = phrase[RATE * 3 // 2 : RATE * 5 // 2] * db_to_amplitude(laid.phrase_gain_db)
    assert np.max(np.abs(left[inside] - own - under[inside] * db_to_amplitude(-6.0))) < 1e-5
    assert np.max(np.abs(left[: RATE * 4] - under[: RATE * 4])) < 1e-5
    assert np.max(np.abs(left[-RATE:] - under[-RATE:])) < 1e-5


def test_the_phrase_is_made_as_loud_as_the_song() -> None:
    preview = render_preview(lone())
    under = song(12.0)
    laid = lay_over(preview, under, RATE, window_start_s=5.0)
    assert preview.loudness.lufs + laid.phrase_gain_db == pytest.approx(
        measure(under.T, RATE).lufs, abs=0.01
    )


def test_a_hot_bounce_stays_below_the_highest_true_peak() -> None:
    laid = lay_over(render_preview(lone()), song(8.0, level=0.99), RATE, window_start_s=3.0)
    assert laid.gain_db < 0.0
    assert measure(laid.sound.T, RATE).true_peak_dbtp < -1.0


@pytest.mark.parametrize("rate", [22_050, 44_100, 88_200, 96_000])
def test_a_bounce_of_any_rate_keeps_its_pitch_length_and_level(rate: int) -> None:
    moved = resampled(song(2.0, rate), rate, RATE)
    assert moved.shape == (2 * RATE, 2)
    middle = slice(RATE // 2, RATE * 3 // 2)
    assert np.max(np.abs(moved[middle] - song(2.0)[middle])) < 1e-6


def test_what_lies_above_the_lower_rates_half_does_not_fold_back() -> None:
    t = np.arange(96_000) / 96_000
    above = np.sin(2 * np.pi * 30_000.0 * t).astype(np.float32)[:, np.newaxis]
    moved = resampled(above, 96_000, RATE)
    assert np.sqrt(np.mean(np.square(moved[RATE // 4 : RATE * 3 // 4]))) < db_to_amplitude(-100.0)


def test_a_pre_swell_before_the_songs_start_is_cut_and_a_mono_song_goes_to_both_sides() -> None:
    preview = render_preview(lone())
    laid = lay_over(preview, song(6.0, channels=1), RATE, window_start_s=0.0)
    assert laid.phrase_start_sample == -preview.tail_samples <= 0
    assert laid.sound.shape == (6 * RATE, 2)


def test_a_song_that_ends_too_soon_or_has_too_many_channels_is_refused() -> None:
    preview = render_preview(lone())
    with pytest.raises(AudioError, match="ends before the phrase"):
        lay_over(preview, song(2.0), RATE, window_start_s=60.0)
    with pytest.raises(AudioError, match="6 channels"):
        lay_over(preview, song(2.0, channels=6), RATE, window_start_s=0.0)

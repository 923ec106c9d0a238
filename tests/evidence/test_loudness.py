"""Loudness against pyloudnorm, an independent meter, and true peak against a reference resampler.

Sources: ITU-R BS.1770-4 (coefficients of the K-weighting at 48 kHz, from memory); EBU Tech 3341
(from memory): a stereo sine of 1000 Hz at -23 dBFS reads -23 LUFS.
"""

from dataclasses import replace

import numpy as np
import pyloudnorm
import pytest
from scipy.signal import lfilter, resample_poly

from retro.model.instruments import Family, Sound
from retro.model.settings import Settings
from retro.model.sound import Room
from retro.render.loudness import PEAK_DBTP, TARGET_LUFS, k_sections, measure
from retro.render.preview import render_preview
from tests.conftest import make_note, make_part, make_phrase
from tests.render.performances import chords, lone, played


def oversampled_peak_dbtp(sound: np.ndarray) -> float:
    """Peak at sixteen times the rate; sound is (frames, channels)."""
    return 20.0 * np.log10(np.max(np.abs(resample_poly(sound.astype(float), 16, 1, axis=0))))


def test_the_weighting_has_the_standards_coefficients() -> None:
    shelf, high_pass = k_sections(48_000)
    assert shelf[0] == pytest.approx((1.53512485958697, -2.69169618940638, 1.19839281085285))
    assert shelf[1] == pytest.approx((1.0, -1.69065929318241, 0.73248077421585))
    assert high_pass[0] == (1.0, -2.0, 1.0)
    assert high_pass[1] == pytest.approx((1.0, -1.99004745483398, 0.99007225036621))


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_noise_in_steps_reads_as_an_independent_meter_reads_it(rate: int, record_evidence) -> None:
    # pyloudnorm has slightly other figures away from 48 kHz, and measures whole blocks only.
    noise = np.random.default_rng(3).normal(size=(8 * rate, 2)) * 0.05
    noise *= np.repeat([1.0, 0.3, 0.001, 0.6], 2 * rate)[:, np.newaxis]
    expected = pyloudnorm.Meter(rate).integrated_loudness(noise)
    found = measure(noise.T, rate).lufs
    assert found == pytest.approx(expected, abs=0.1)
    record_evidence(
        what=f"loudness of noise in steps at {rate} Hz",
        source="pyloudnorm (ITU-R BS.1770)",
        expected=f"{expected:.2f} LUFS, within 0.1",
        found=f"{found:.2f} LUFS",
    )


def test_filtering_block_by_block_equals_the_recursion() -> None:
    noise = np.random.default_rng(3).normal(size=(2, 48_000)) * 0.1
    weighted = noise
    for b, a in k_sections(48_000):
        weighted = lfilter(b, a, weighted, axis=1)
    # One block of one second has neither gates nor overlap: 10 hops of noise at one level.
    ungated = -0.691 + 10.0 * np.log10(np.mean(np.sum(weighted**2, axis=0)))
    assert measure(noise, 48_000).lufs == pytest.approx(ungated, abs=0.05)


def test_the_reference_sine_reads_minus_23(record_evidence) -> None:
    t = np.arange(20 * 48_000) / 48_000
    sine = 10.0 ** (-23.0 / 20.0) * np.sin(2 * np.pi * 1000.0 * t)
    loudness = measure(np.stack((sine, sine)), 48_000)
    assert loudness.lufs == pytest.approx(-23.0, abs=0.1)
    assert loudness.true_peak_dbtp == pytest.approx(-23.0, abs=0.05)
    record_evidence(
        what="a stereo sine of 1000 Hz at -23 dBFS",
        source="EBU Tech 3341 (from memory)",
        expected="-23.0 LUFS, within 0.1",
        found=f"{loudness.lufs:.2f} LUFS, true peak {loudness.true_peak_dbtp:.2f} dBTP",
    )


def test_a_peak_between_the_samples_is_found() -> None:
    # A quarter of the rate at 45 degrees: every sample is 3.01 dB below the true peak.
    sine = 0.5 * np.sin(0.5 * np.pi * np.arange(48_000) + 0.25 * np.pi) * np.hanning(48_000)
    peak = measure(sine[np.newaxis], 48_000).true_peak_dbtp
    assert peak == pytest.approx(20.0 * np.log10(0.5), abs=0.05)


PERFORMANCES = {
    "chords": lambda: played(chords(), family=Family.STRINGS),
    "low": lambda: lone(pitch=33, family=Family.BRASS),
    "high": lambda: lone(pitch=100),
    "harp": lambda: lone(sound=Sound.STRUCK, family=Family.PERCUSSION, decay_s=3.0),
    "44.1 kHz": lambda: lone(settings=replace(Settings(), rate=44_100)),
}


@pytest.mark.parametrize("name", PERFORMANCES)
def test_the_preview_is_as_loud_as_broadcasts_and_peaks_below_the_limit(name: str) -> None:
    preview = render_preview(PERFORMANCES[name]())
    meter = pyloudnorm.Meter(preview.rate)
    for sound, stated in (
        (preview.flipped, preview.loudness),
        (preview.target, preview.target_loudness),
    ):
        assert oversampled_peak_dbtp(sound) < PEAK_DBTP
        assert oversampled_peak_dbtp(sound) == pytest.approx(stated.true_peak_dbtp, abs=0.1)
        assert stated.lufs == pytest.approx(TARGET_LUFS, abs=1e-6)
        assert meter.integrated_loudness(sound.astype(float)) == pytest.approx(-23.0, abs=0.1)


def test_a_stroke_too_short_to_be_loud_is_held_back_by_its_peak() -> None:
    preview = render_preview(
        lone(
            pitch=40,
            sound=Sound.STRUCK,
            decay_s=0.02,
            settings=replace(Settings(), room=Room(0.02, 6.0)),
        )
    )
    assert preview.loudness.true_peak_dbtp == pytest.approx(PEAK_DBTP - 0.3)
    assert preview.loudness.lufs < TARGET_LUFS
    assert oversampled_peak_dbtp(preview.flipped) < PEAK_DBTP


def test_sound_shorter_than_a_block_is_measured_as_a_whole_and_silence_is_left_alone() -> None:
    t = np.arange(4_800) / 48_000
    sine = 0.1 * np.sin(2 * np.pi * 1000.0 * t)[np.newaxis]
    assert measure(sine, 48_000).lufs == pytest.approx(-3.01 - 20.0, abs=0.3)
    silent = measure(np.zeros((2, 4_800)), 48_000)
    assert silent.lufs == -np.inf
    assert silent.gain_db() == 0.0
    short = make_phrase(make_part(make_note(0, 1)), bars=1, us_per_quarter=60_000)
    preview = render_preview(played(short, settings=replace(Settings(), room=Room(0.1, 0.0))))
    assert preview.loudness.lufs == pytest.approx(TARGET_LUFS)
    assert np.all(np.isfinite(preview.played))

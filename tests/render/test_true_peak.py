"""The bound by which most of a sound is never looked at for its true peak."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.render.loudness import CURVED, OVERSAMPLING, STRAIGHT, TAPS, measure


def interpolators() -> list[tuple[np.ndarray, int]]:
    """Return the taps that give the sound between two samples, and the first of the two."""
    offset = np.arange(TAPS) - TAPS // 2
    quarters = np.arange(1, OVERSAMPLING) / OVERSAMPLING
    windows = [np.cos(np.pi * (offset + q) / (TAPS + 1)) ** 2 for q in quarters]
    return [
        (np.sinc(offset + q) * window, TAPS // 2 - 1)
        for q, window in zip(quarters, windows, strict=True)
    ]


@pytest.mark.parametrize("quarter", range(OVERSAMPLING - 1))
def test_an_interpolator_is_a_line_two_small_weights_and_second_differences(quarter: int) -> None:
    taps, before = interpolators()[quarter]
    after = (quarter + 1) / OVERSAMPLING
    rest = taps.copy()
    rest[before] -= after
    rest[before + 1] -= 1.0 - after
    # Two weights take up what is left of the sum and of the first moment.
    last = float(np.sum(rest * (np.arange(TAPS) - before)))
    small = np.array([rest.sum() - last, last])
    rest[before : before + 2] -= small
    bends = np.cumsum(np.cumsum(rest))
    assert np.max(np.abs(bends[-2:])) < 1e-12
    assert np.convolve(bends, (1.0, -2.0, 1.0))[:TAPS] == pytest.approx(rest)
    assert np.sum(np.abs(bends)) < CURVED
    assert 1.0 + np.sum(np.abs(small)) < STRAIGHT


def everywhere(sound: np.ndarray) -> float:
    """Return the largest value of all channels at all four phases."""
    phases = [taps for taps, _ in interpolators()] + [np.ones(1)]
    return max(
        float(np.max(np.abs(np.convolve(channel, taps)))) for channel in sound for taps in phases
    )


@given(
    seed=st.integers(0, 2**32 - 1),
    frames=st.integers(1, 3_000),
    smooth=st.integers(1, 12),
    channels=st.integers(1, 2),
)
def test_the_peak_is_that_of_looking_everywhere(
    seed: int, frames: int, smooth: int, channels: int
) -> None:
    noise = np.random.default_rng(seed).normal(size=(channels, frames)) * 0.1
    sound = np.stack([np.convolve(channel, np.ones(smooth), "same")[:frames] for channel in noise])
    found = measure(sound, 48_000).true_peak_dbtp
    assert found == pytest.approx(20.0 * np.log10(everywhere(sound)), abs=1e-4)


@pytest.mark.parametrize("at", [0, 1, 255, 256, 57_599, 57_600, 99_998, 99_999])
def test_a_peak_is_found_wherever_it_is(at: int) -> None:
    sound = np.zeros((2, 100_000))
    sound[1, at] = 0.5
    sound[1, min(at + 1, 99_999)] = 0.5
    found = measure(sound, 48_000).true_peak_dbtp
    assert found == pytest.approx(20.0 * np.log10(everywhere(sound)), abs=1e-4)

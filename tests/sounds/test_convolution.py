"""A room on a sound, compared with the convolution of scipy over the whole."""

import numpy as np
import pytest
from scipy.signal import fftconvolve

from retro.sounds.convolution import MIN_BLOCK, convolved


@pytest.mark.parametrize("length", [1, 700, MIN_BLOCK, 3 * MIN_BLOCK + 5])
@pytest.mark.parametrize("response_length", [1, 9000, 30_000])
def test_it_is_the_convolution_of_each_channel_up_to_the_frames_that_are_asked_for(
    length: int, response_length: int
) -> None:
    chance = np.random.default_rng(length + response_length)
    sound = chance.standard_normal((length, 2)).astype(np.float32)
    response = chance.standard_normal((response_length, 2)).astype(np.float32)
    whole = fftconvolve(sound.astype(float), response.astype(float), axes=0)
    limit = 1e-5 * np.abs(whole).max()
    for frames in (1, length, length + response_length + 100):
        got = convolved(sound, response, frames)
        wanted = np.zeros((frames, 2))
        wanted[: whole.shape[0]] = whole[:frames]
        assert got.dtype == np.float32
        assert np.abs(got - wanted).max() < limit


def test_silence_stays_silent() -> None:
    response = np.ones((10, 2), dtype=np.float32)
    assert not np.any(convolved(np.zeros((0, 2), dtype=np.float32), response, 50))

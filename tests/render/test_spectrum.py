import numpy as np
import pytest

from retro.render.spectrum import Complex64, Spectrum, carrier, hop_at

NODES = 101
PLACE = 0.5 * (1.0 + 0.5j)
"""A sine of 1 on the left and of a half on the right."""


def steady(hz: float, rate: int) -> Complex64:
    turn = carrier(hz, 0, NODES, hop_at(rate), rate)
    return np.stack((PLACE * turn, np.conj(PLACE) * turn)).astype(np.complex64)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("hz", [16.35, 110.0, 440.0, 5_000.3, 19_800.0])
def test_a_steady_sine_is_the_sine_of_its_formula(hz: float, rate: int) -> None:
    spectrum = Spectrum(rate, NODES)
    spectrum.add(hz, 0, steady(hz, rate))
    sound = spectrum.sound()
    sine = np.cos(2.0 * np.pi * hz * np.arange(sound.size) / rate)
    assert sound.size == (NODES - 1) * hop_at(rate)
    assert np.max(np.abs(sound - (1.0 + 0.5j) * sine)) < 3e-5


def test_a_frequency_that_could_move_and_does_not_is_steady() -> None:
    still, moving = Spectrum(48_000, NODES), Spectrum(48_000, NODES)
    still.add(440.0, 0, steady(440.0, 48_000))
    moving.add_moving(np.full(NODES, 440.0), 0, steady(440.0, 48_000))
    assert np.max(np.abs(still.sound() - moving.sound())) < 1e-6


def test_between_nodes_an_amplitude_goes_in_a_straight_line() -> None:
    spectrum, hop = Spectrum(48_000, NODES), hop_at(48_000)
    rising = np.linspace(0.0, 1.0, NODES, dtype=np.float32)
    spectrum.add(1_000.0, 0, steady(1_000.0, 48_000) * rising)
    sound = spectrum.sound()
    frame = np.arange(sound.size)
    line = frame / (hop * (NODES - 1))
    assert np.max(np.abs(sound.real - line * np.cos(2 * np.pi * frame / 48))) < 3e-5


def test_a_node_lasts_about_as_long_at_every_rate() -> None:
    for rate in (44_100, 48_000, 88_200, 96_000, 192_000, 384_000):
        assert 0.002 < hop_at(rate) / rate < 0.004

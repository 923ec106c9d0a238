import numpy as np
import pytest

from retro.render.spectrum import LOBE, Complex64, Sinusoids, Spectrum, _lobes, _looked_up, hop_at

NODES = 101
PLACE = np.array([[0.5 * (1.0 + 0.5j), 0.5 * (1.0 - 0.5j)]])
"""A sine of 1 on the left and of a half on the right."""


def steady(hz: float, rate: int, amplitudes: list[float] | None = None) -> Spectrum:
    """Return the spectrum of a sine, at an amplitude of 1 or at those that are given."""
    spectrum = Spectrum(rate, NODES)
    rows = np.full((1, NODES), 1.0, dtype=np.complex64)
    if amplitudes is not None:
        rows[0] = amplitudes
    here = np.zeros(1, dtype=np.int64)
    lines = Sinusoids.of(np.array([hz]), rate, NODES)
    spectrum.add(lines, rows, row=here, line=here, factors=PLACE)
    return spectrum


def turning(hz: float, rate: int) -> Complex64:
    turn = np.exp(2j * np.pi * hz * hop_at(rate) / rate * np.arange(NODES))
    return np.multiply.outer(PLACE[0], turn).astype(np.complex64)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("hz", [16.35, 110.0, 440.0, 5_000.3, 19_800.0])
def test_a_steady_sine_is_the_sine_of_its_formula(hz: float, rate: int) -> None:
    sound = steady(hz, rate).sound()
    sine = np.cos(2.0 * np.pi * hz * np.arange(sound.size) / rate)
    assert sound.size == (NODES - 1) * hop_at(rate)
    assert np.max(np.abs(sound - (1.0 + 0.5j) * sine)) < 3e-5


def test_a_frequency_that_could_move_and_does_not_is_steady() -> None:
    still, moving = steady(440.0, 48_000), Spectrum(48_000, NODES)
    moving.add_moving(np.full(NODES, 440.0), 0, turning(440.0, 48_000))
    assert np.max(np.abs(still.sound() - moving.sound())) < 1e-6


def test_between_nodes_an_amplitude_goes_in_a_straight_line() -> None:
    sound = steady(1_000.0, 48_000, np.linspace(0.0, 1.0, NODES).tolist()).sound()
    frame = np.arange(sound.size)
    line = frame / (hop_at(48_000) * (NODES - 1))
    assert np.max(np.abs(sound.real - line * np.cos(2 * np.pi * frame / 48))) < 3e-5


def test_a_node_lasts_about_as_long_at_every_rate() -> None:
    for rate in (44_100, 48_000, 88_200, 96_000, 192_000, 384_000):
        assert 0.002 < hop_at(rate) / rate < 0.004


def test_between_the_entries_of_its_table_a_lobe_is_what_its_formula_gives() -> None:
    first = np.random.default_rng(1).uniform(-LOBE, 1 - LOBE, 10_000)
    exact = _lobes(first, 384).T
    assert np.max(np.abs(_looked_up(first, 384) - exact)) < 5e-7 * np.max(exact)


def test_players_on_one_line_sound_as_each_alone_does() -> None:
    rng = np.random.default_rng(1)
    rows = rng.normal(size=(3, NODES, 2)).astype(np.float32).view(np.complex64)[..., 0]
    factors = rng.normal(size=(5, 2)) + 1j * rng.normal(size=(5, 2))
    lines = Sinusoids.of(np.array([220.0, 331.7, 660.0]), 48_000, NODES)
    row, line = np.array([0, 0, 1, 1, 2]), np.array([0, 2, 0, 1, 2])
    together = Spectrum(48_000, NODES)
    together.add(lines, rows, row=row, line=line, factors=factors)
    total = np.zeros((NODES - 1) * hop_at(48_000), dtype=np.complex64)
    for i in range(5):
        alone = Spectrum(48_000, NODES)
        own = rows[row[i : i + 1]], np.zeros(1, dtype=np.int64), line[i : i + 1]
        alone.add(lines, own[0], row=own[1], line=own[2], factors=factors[i : i + 1])
        total += alone.sound()
    assert np.max(np.abs(total)) > 1.0
    assert np.max(np.abs(together.sound() - total)) < 1e-5

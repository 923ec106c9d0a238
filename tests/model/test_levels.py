"""Levels of parts, looked up one by one and together."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from retro.model.levels import FEW_INSTANTS, Levels, controller_amplitude
from retro.model.phrase import EXPRESSION, VOLUME
from retro.model.time import Steps
from tests.conftest import make_note, make_part, make_phrase


def stairs(seed: int, count: int) -> Steps[int]:
    chance = np.random.default_rng(seed)
    starts = sorted({Fraction(int(each), 48) for each in chance.integers(1, 4 * 48, count)})
    values = 1 + chance.permutation(127)[: len(starts) + 1]
    return Steps(Fraction(4), (Fraction(0), *starts), tuple(values.tolist()))


@pytest.mark.parametrize("seed", range(5))
def test_few_instants_of_many_parts_have_the_levels_of_many_instants(seed: int) -> None:
    parts = [
        replace(
            make_part(make_note(0, 4)),
            controllers=((VOLUME, stairs(seed + 10, 9)), (EXPRESSION, stairs(seed + index, count))),
        )
        for index, count in enumerate((1, 3, 40))
    ]
    levels = Levels.of(make_phrase(*parts))
    part = np.array([2, 0, 1, 2])
    t_s = np.random.default_rng(seed).uniform(-1.0, 4.0, (part.size, 8 * FEW_INSTANTS))
    together = levels.of_tones(part).energy(t_s)
    for first in range(0, t_s.shape[1], FEW_INSTANTS):
        some = slice(first, first + FEW_INSTANTS)
        few = levels.of_tones(part).energy(np.ascontiguousarray(t_s[:, some]))
        np.testing.assert_allclose(few, together[:, some], rtol=1e-10)


def test_beyond_its_ends_a_level_stays_and_at_a_step_it_is_half_way() -> None:
    part = replace(
        make_part(make_note(0, 4)),
        controllers=((VOLUME, Steps(Fraction(4), (Fraction(0), Fraction(2)), (64, 127))),),
    )
    phrase = make_phrase(part)
    middle_s = float(phrase.tempo.seconds_at(Fraction(2)))
    t_s = np.array([[-5.0, middle_s, 50.0]])
    energy = Levels.of(phrase).of_tones(np.array([0])).energy(t_s)[0]
    low, high = controller_amplitude(64), controller_amplitude(127)
    np.testing.assert_allclose(np.sqrt(energy), [low, 0.5 * (low + high), high], rtol=1e-9)

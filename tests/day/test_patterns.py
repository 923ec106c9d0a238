"""The tick patterns of a day are told apart, also in noise."""

from itertools import combinations

import numpy as np
import pytest

from retro.day.day_file import MAX_PACKS
from retro.day.patterns import (
    LAST_SLOT,
    MAX_MEETINGS,
    MIN_SLOTS_APART,
    TICKS,
    meetings,
    tick_patterns,
)

DAY = [(f"A{number}", f"{number:064x}") for number in range(MAX_PACKS)]


def test_a_pattern_meets_itself_nowhere_else_in_more_than_one_tick() -> None:
    for pattern in tick_patterns(DAY):
        distances = [later - earlier for earlier, later in combinations(pattern, 2)]
        assert len(set(distances)) == len(distances) == TICKS * (TICKS - 1) // 2
        assert pattern[0] == 0
        assert pattern[-1] <= LAST_SLOT
        assert min(distances) >= MIN_SLOTS_APART


def test_patterns_of_a_whole_day_meet_in_few_ticks_at_any_place() -> None:
    met = [meetings(*pair) for pair in combinations(tick_patterns(DAY), 2)]
    assert max(met) == MAX_MEETINGS < TICKS / 2
    assert meetings((0, 5, 9), (1, 6, 20)) == 2


def test_an_insert_keeps_its_pattern_when_others_follow_and_loses_it_when_built_anew() -> None:
    few, more = tick_patterns(DAY[:3]), tick_patterns(DAY)
    assert more[:3] == few
    assert tick_patterns([("A0", "f" * 64)])[0] != few[0]


@pytest.mark.parametrize("level_db", [0.0, -6.0])
def test_a_pattern_is_told_from_the_others_in_noise(level_db: float) -> None:
    # A matched count over slots, every tick with noise as strong as itself, and twice as strong.
    patterns = tick_patterns(DAY[:12])
    chance = np.random.default_rng(5)
    tick = 10 ** (level_db / 20) * 4.0
    for number, pattern in enumerate(patterns):
        heard = np.abs(chance.normal(size=LAST_SLOT + 200))
        place = int(chance.integers(0, 150))
        heard[place + np.array(pattern)] += tick
        best = [
            max((heard[at + np.array(other)].sum(), at) for at in range(heard.size - LAST_SLOT))
            for other in patterns
        ]
        assert max(range(len(best)), key=lambda k: best[k]) == number
        assert best[number][1] == place

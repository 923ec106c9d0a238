"""What groups say together: made readings, no sound."""

import numpy as np
import pytest

from retro.measuring.groups import Group, HeardGroup
from retro.measuring.identify import ExpectedAttack
from retro.measuring.settle import RIPPLE_S, settled

COMMON_S = 0.020


def group(at_s):
    attack = ExpectedAttack(at_s=at_s, pitch=60, weight=1.0, length_s=0.5)
    return Group(at_s=at_s, attacks=(attack,))


def readings(count, *, differ_s, error_s, seed=0):
    chance = np.random.default_rng(seed)
    true_s = COMMON_S + differ_s * chance.standard_normal(count)
    seen_s = true_s + error_s * chance.standard_normal(count)
    heard = [
        HeardGroup(group=group(float(at)), late_s=float(late_s), error_s=error_s)
        for at, late_s in enumerate(seen_s)
    ]
    return float(np.median(true_s)), heard


def test_a_group_that_something_else_was_taken_for_moves_nothing_and_is_doubted():
    _, heard = readings(12, differ_s=0.005, error_s=0.004)
    mistaken = HeardGroup(group=group(12.0), late_s=COMMON_S + 0.12, error_s=0.004)
    said = settled([*heard, mistaken], [])
    assert said.late_s == pytest.approx(COMMON_S, abs=0.006)
    assert said.elsewhere_s[-1] > 0.08
    assert max(said.elsewhere_s[:-1]) < 0.02


def test_a_group_that_stands_alone_is_believed_wherever_it_is():
    _, heard = readings(12, differ_s=0.005, error_s=0.004)
    sure = HeardGroup(group=group(12.0), late_s=COMMON_S + 0.12, error_s=0.004, is_alone=True)
    assert settled([*heard, sure], []).elsewhere_s[-1] < 0.01


def test_groups_that_were_not_heard_make_a_take_less_sure():
    _, heard = readings(6, differ_s=0.02, error_s=0.004)
    unheard = [group(100.0 + at) for at in range(12)]
    widths = [settled(heard, unheard[:count]).uncertainty_s for count in (0, 4, 12)]
    assert RIPPLE_S < widths[0] < widths[1] < widths[2]


@pytest.mark.parametrize("error_s", [0.004, 0.03])
def test_the_median_lies_within_its_uncertainty(error_s):
    """With the doubt of the method itself left out, as no sound is read here: 19 of 20."""
    within = 0
    for seed in range(60):
        true_s, heard = readings(15, differ_s=0.015, error_s=error_s, seed=seed)
        said = settled(heard, [])
        doubt_s = np.sqrt(said.uncertainty_s**2 - RIPPLE_S**2)
        within += abs(said.late_s - true_s) <= doubt_s
    assert within >= 54

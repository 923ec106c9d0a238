"""Harp pedals: the fewest changes, in the order in which the insert is played."""

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.notation.pedals import (
    COMFORTABLE_S,
    PEDALS,
    PedalPlan,
    Pluck,
    key_setting,
    plan_pedals,
)

OPEN = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


def pedal(*chords: tuple[int, ...], every_s: float = 1.0, sharps: int = 0) -> PedalPlan:
    plucks = [Pluck(i * every_s, (i + 0.4) * every_s, chord) for i, chord in enumerate(chords)]
    return plan_pedals(plucks, sharps=sharps)


def test_a_passage_in_one_key_needs_its_setting_and_no_change() -> None:
    plan = pedal((60, 64, 67), (65, 69, 72), (67, 71, 74))
    assert plan.diagram() == "D C B | E F G A"
    assert plan.changes == ()


def test_idle_pedals_stand_in_the_key() -> None:
    # E flat major: A, B and E are flat.
    assert pedal((63, 67), sharps=-3).diagram() == "D C Bb | Eb F G Ab"
    assert key_setting(2) == (0, 1, 0, 0, 1, 0, 0)


def test_a_chromatic_neighbour_is_taken_on_another_string_where_one_has_it() -> None:
    # F then F sharp, with G idle: G flat needs no pedal.
    plan = pedal((65,), (66,))
    assert plan.changes == ()
    assert "Gb" in plan.diagram() or "E#" in plan.diagram()


def test_a_change_that_must_be_is_named_with_its_foot_and_time() -> None:
    # D, G and A have one string each: D minor's A against A flat major's A flat (on A or G).
    plan = pedal((67, 69), (67, 68, 70), every_s=1.5)
    (change,) = plan.changes
    assert str(change) == "A to Ab"
    assert change.free_s == pytest.approx(1.5)
    assert change.foot_changes == 1


def test_three_neighbouring_semitones_around_g_sharp_are_on_no_setting() -> None:
    assert pedal((67, 68, 69)).impossible == (0,)
    assert pedal((61, 62, 63)).impossible == ()


def test_impossible_chords_do_not_stop_the_others() -> None:
    plan = pedal((60,), (67, 68, 69), (64,))
    assert plan.impossible == (1,)
    assert plan.diagram() == "D C B | E F G A"


def test_a_pedal_is_moved_early_rather_than_in_a_hurry() -> None:
    # A natural, a long wait, then a plain C and at once A flat with G: the A moves in the wait.
    plucks = [Pluck(0.0, 0.3, (67, 69)), Pluck(3.0, 3.1, (60,)), Pluck(3.1, 3.3, (67, 68))]
    (change,) = plan_pedals(plucks).changes
    assert change.pluck == 1
    assert change.each_s > COMFORTABLE_S


def test_a_string_that_still_rings_is_told() -> None:
    ringing = [Pluck(0.0, 2.0, (67, 69)), Pluck(2.0, 3.0, (67, 68))]
    damped = [Pluck(0.0, 1.0, (67, 69)), Pluck(2.0, 3.0, (67, 68))]
    assert [c.still_rings for c in plan_pedals(ringing).changes] == [True]
    assert [c.still_rings for c in plan_pedals(damped).changes] == [False]


def settings_through(plan: PedalPlan, count: int) -> list[dict[str, int]]:
    """Return the setting at each pluck."""
    now = dict(zip(PEDALS, plan.first, strict=True))
    found = []
    for index in range(count):
        for change in plan.changes:
            if change.pluck == index:
                assert now[change.letter] == change.before
                now[change.letter] = change.after
        found.append(dict(now))
    return found


chords_of_harp = st.lists(
    st.lists(st.integers(30, 100), min_size=1, max_size=4).map(tuple), min_size=1, max_size=6
)


@given(chords_of_harp)
def test_every_pitch_has_a_string_when_it_is_plucked(chords: list[tuple[int, ...]]) -> None:
    plan = pedal(*chords)
    for index, (chord, now) in enumerate(
        zip(chords, settings_through(plan, len(chords)), strict=True)
    ):
        strings = {(OPEN[letter] + alter) % 12 for letter, alter in now.items()}
        if index not in plan.impossible:
            assert {pitch % 12 for pitch in chord} <= strings


@given(st.lists(st.integers(0, 11).map(lambda pc: (60 + pc,)), min_size=2, max_size=5))
def test_no_fixed_choice_of_strings_needs_fewer_changes(chords: list[tuple[int, ...]]) -> None:
    plan = pedal(*chords, every_s=10.0)
    assert len(plan.changes) <= fewest_by_trying_all(tuple(c[0] % 12 for c in chords))


def fewest_by_trying_all(classes: tuple[int, ...]) -> int:
    """Count the changes of the best choice of a string for each single note."""
    best = [({}, 0)]
    for wanted in classes:
        options = [
            (letter, alter)
            for letter in PEDALS
            for alter in (-1, 0, 1)
            if (OPEN[letter] + alter) % 12 == wanted
        ]
        best = [
            ({**held, letter: alter}, count + (held.get(letter, alter) != alter))
            for held, count in best
            for letter, alter in options
        ]
    return min(count for _, count in best)


def test_two_pedals_of_one_foot_share_the_time() -> None:
    # G and A natural, then A flat major with G flat: G and A both move, both right.
    plan = pedal((67, 69, 74), (66, 68, 61, 65), every_s=1.0)
    right = [change for change in plan.changes if change.letter in "EFGA"]
    assert {change.foot_changes for change in right} == {len(right)}
    assert all(change.each_s == pytest.approx(1.0 / len(right)) for change in right)


def test_every_chord_of_two_pitches_is_on_some_setting() -> None:
    # Only G and A have neighbours that ask for their one string: A flat is on both.
    assert all(not pedal(pair).impossible for pair in combinations(range(60, 72), 2))

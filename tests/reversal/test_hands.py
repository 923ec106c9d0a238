from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from retro.reversal.hands import MAX_RHYTHMS, split_hands, struck_spans

F = Fraction


def spans(*pairs):
    return [(F(str(on)), F(str(off))) for on, off in pairs]


def test_a_chord_that_is_damped_string_by_string_is_let_go_at_once():
    rolled = spans((0.5, 1), (0.5, 1.5), (0.5, 2), (0.5, 2.5))
    assert struck_spans(rolled, (72, 67, 64, 60), hands=1) == tuple(spans(*[(0.5, 2.5)] * 4))


def test_almost_together_is_together():
    assert struck_spans(spans((0, 2), (0, 1.875)), (60, 64), hands=1) == tuple(
        spans((0, 2), (0, 2))
    )


def test_a_held_bass_under_a_moving_hand_stays_as_it_is():
    two_hands = spans((0, 4), (0, 1), (1, 2), (2, 4))
    assert struck_spans(two_hands, (36, 72, 74, 76), hands=2) == tuple(two_hands)
    assert struck_spans(two_hands, (60, 72, 74, 76), hands=1) == tuple(two_hands)


def test_a_tone_that_hardly_outlasts_the_next_stroke_ends_with_it():
    assert struck_spans(spans((0, 1.25), (1, 2)), (60, 62), hands=1) == tuple(spans((0, 1), (1, 2)))


def test_a_run_whose_tones_all_ring_on_is_written_stroke_by_stroke():
    run = spans((0, 3), (0.5, 3.5), (1, 4), (1.5, 4))
    assert struck_spans(run, (60, 62, 64, 65), hands=1) == tuple(
        spans((0, 0.5), (0.5, 1), (1, 1.5), (1.5, 4))
    )


def test_where_stops_shape_nothing_one_rhythm_is_enough():
    held = spans((0, 4), (0, 1), (1, 4))
    assert struck_spans(held, (60, 72, 74), hands=1, rhythms=1) == tuple(
        spans((0, 1), (0, 1), (1, 4))
    )


def test_a_tone_of_a_chord_ends_where_its_own_key_is_struck_again():
    chord = spans((0, 6), (0, 8), (0, 7), (4, 8))
    ends = [off for _, off in struck_spans(chord, (60, 64, 67, 67), hands=1)]
    assert ends == [8, 8, 4, 8]


def test_hands_split_where_both_can_reach():
    upper, lower = split_hands([F(0)] * 4, (40, 47, 64, 72))
    assert (sorted(upper), sorted(lower)) == ([2, 3], [0, 1])


@given(
    st.lists(
        st.tuples(st.integers(0, 16), st.integers(1, 12), st.integers(36, 96)),
        min_size=1,
        max_size=20,
        unique_by=lambda tone: (tone[0], tone[2]),
    ),
    st.sampled_from((1, 2)),
)
def test_no_hand_keeps_more_rhythms_than_can_be_read_and_no_stroke_moves(tones, hands):
    before = [(F(on, 4), F(on + length, 4)) for on, length, _ in tones]
    pitches = [pitch for *_, pitch in tones]
    after = struck_spans(before, pitches, hands=hands)
    starts = [on for on, _ in before]
    assert [on for on, _ in after] == starts
    assert all(off > on for on, off in after)
    for (on, off), pitch in zip(after, pitches, strict=True):
        again = [start for start, other in zip(starts, pitches, strict=True) if other == pitch]
        assert not any(on < start < off for start in again), "a key is struck while it is held"
    groups = split_hands(starts, pitches) if hands == 2 else (range(len(tones)),)
    for group in groups:
        rhythms = {after[tone] for tone in group}
        for start, _ in rhythms:
            assert sum(on <= start < off for on, off in rhythms) <= MAX_RHYTHMS

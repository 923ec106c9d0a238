import random
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.model.phrase import Note, Phrase
from retro.model.time import Meter, Span
from retro.reversal.mirror import mirror
from retro.reversal.quantize import quantize
from tests.conftest import make_note, make_part, make_phrase

QUARTER_OF_A_BEAT = Fraction(1, 4)


def turned(phrase: Phrase, *, straighten_swing: bool = False) -> list[Span]:
    """Snap the mirror of a phrase with one part; give the spans turned back, in target order."""
    insert, length = mirror(phrase), phrase.length_beats
    spans = quantize(insert, grid_beats=QUARTER_OF_A_BEAT, straighten_swing=straighten_swing)[0]
    return sorted((length - off, length - on) for on, off in spans)


def by_hand(
    spans: list[Span],
    *,
    seed: int,
    ms: float = 12.0,
    release_ms: float = 25.0,
    gap_ms: float = 30.0,
) -> list[Note]:
    """Play spans at 120 quarters a minute as a hand does; pitches rise by a step."""
    chance = random.Random(seed)
    notes = []
    for i, (on, off) in enumerate(spans):
        start = max(float(on) + chance.gauss(0.0, ms) / 500.0, 0.0)
        stop = float(off) + (chance.gauss(0.0, release_ms) - gap_ms) / 500.0
        notes.append(
            make_note(Fraction(round(start * 480), 480), Fraction(round(stop * 480), 480), 48 + i)
        )
    return notes


def run(step: Fraction, count: int) -> list[Span]:
    return [(i * step, (i + 1) * step) for i in range(count)]


SIXTEENTHS = st.integers(0, 30).flatmap(
    lambda on: st.tuples(st.just(on), st.integers(on + 1, 32), st.integers(40, 80))
)


@given(st.lists(SIXTEENTHS, min_size=1, max_size=12))
def test_what_a_machine_put_on_the_grid_stays_where_it_is(raw: list[tuple[int, int, int]]) -> None:
    notes = [make_note(Fraction(on, 4), Fraction(off, 4), pitch) for on, off, pitch in raw]
    assert turned(make_phrase(make_part(*notes))) == sorted(
        (note.on_beats, note.off_beats) for note in notes
    )


ANY_NOTE = st.tuples(st.integers(0, 3839), st.integers(1, 2000), st.integers(30, 90))


@given(st.lists(ANY_NOTE, min_size=1, max_size=20), st.sampled_from([(4, 4), (7, 8), (12, 8)]))
def test_no_note_is_lost_or_empty_or_outside(
    raw: list[tuple[int, int, int]], meter: tuple[int, int]
) -> None:
    phrase = make_phrase(bars=2, meter=Meter.plain(*meter))
    length = phrase.length_beats
    notes = [
        make_note(
            min(Fraction(on, 480), length - Fraction(1, 480)),
            min(Fraction(on, 480) + Fraction(dur, 480), length),
            pitch,
        )
        for on, dur, pitch in raw
        if Fraction(on, 480) < length
    ]
    part = make_part(*notes)
    insert = mirror(make_phrase(part, bars=2, meter=Meter.plain(*meter)))
    (spans,) = quantize(insert, grid_beats=QUARTER_OF_A_BEAT)
    assert len(spans) == len(notes)
    assert all(0 <= on < off <= length for on, off in spans)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("step", "count"), [(Fraction(1), 7), (Fraction(1, 2), 14), (Fraction(1, 4), 28)]
)
def test_a_line_played_by_hand_is_written_evenly(step: Fraction, count: int, seed: int) -> None:
    spans = run(step, count)
    loose = 25.0 if step > QUARTER_OF_A_BEAT else 10.0
    notes = by_hand(spans, seed=seed, ms=10.0, release_ms=loose)
    assert turned(make_phrase(make_part(*notes)))[:-1] == spans[:-1]


def test_triplets_played_by_hand_are_triplets() -> None:
    spans = run(Fraction(1, 3), 23)
    notes = by_hand(spans, seed=1, ms=8.0, release_ms=12.0, gap_ms=15.0)
    assert turned(make_phrase(make_part(*notes)))[:-1] == spans[:-1]


@pytest.mark.parametrize("slots", [3, 5, 6])
def test_exact_tuplets_stay_exact(slots: int) -> None:
    spans = run(Fraction(1, slots), 2 * slots)
    notes = [make_note(on, off, 60 + i) for i, (on, off) in enumerate(spans)]
    assert turned(make_phrase(make_part(*notes))) == spans


def test_quarter_triplets_lie_across_two_beats() -> None:
    spans = run(Fraction(2, 3), 6)
    notes = [make_note(on, off, 60 + i) for i, (on, off) in enumerate(spans)]
    assert turned(make_phrase(make_part(*notes))) == spans


def swung() -> list[Span]:
    return [
        span
        for beat in range(7)
        for span in (
            (Fraction(beat), beat + Fraction(2, 3)),
            (beat + Fraction(2, 3), Fraction(beat + 1)),
        )
    ]


def test_swing_is_kept_as_played_or_straightened_on_request() -> None:
    notes = by_hand(swung(), seed=2, ms=8.0, release_ms=12.0, gap_ms=15.0)
    phrase = make_phrase(make_part(*notes))
    assert turned(phrase)[:-1] == swung()[:-1]
    assert turned(phrase, straighten_swing=True)[:-1] == run(Fraction(1, 2), 14)[:-1]


def test_straightening_leaves_full_triplets_alone() -> None:
    spans = run(Fraction(1, 3), 12)
    notes = [make_note(on, off, 60 + i) for i, (on, off) in enumerate(spans)]
    assert turned(make_phrase(make_part(*notes)), straighten_swing=True) == spans


def test_a_chord_played_slightly_apart_joins() -> None:
    notes = [
        make_note(on, off, pitch)
        for on, off, pitch in [
            ("0.01", "1.93", 60), ("0.03", "2.02", 64), ("0.05", "1.97", 67),
            ("2.02", "3.91", 59), ("2", "3.88", 62), ("1.99", "4.03", 67),
        ]
    ]  # fmt: skip
    assert turned(make_phrase(make_part(*notes))) == [(0, 2)] * 3 + [(2, 4)] * 3


def test_a_rolled_chord_is_one_chord() -> None:
    rolled = [make_note(Fraction(i, 16), 4, 48 + 4 * i) for i in range(5)]
    assert turned(make_phrase(make_part(*rolled))) == [(0, 4)] * 5
    reverse = [make_note(0, 4 + Fraction(i, 16), 48 + 4 * i) for i in range(5)]
    assert turned(make_phrase(make_part(*reverse))) == [(0, 4)] * 5


def test_overlapping_legato_leaves_no_second_voice() -> None:
    notes = [make_note(i, i + 1 + Fraction(3, 20), 60 + i) for i in range(7)]
    assert turned(make_phrase(make_part(*notes)))[:-1] == run(Fraction(1), 7)[:-1]


def test_an_exact_sixteenth_rest_is_no_sloppy_release() -> None:
    notes = [make_note(i, i + Fraction(3, 4), 60) for i in range(6)]
    assert turned(make_phrase(make_part(*notes))) == [(i, i + Fraction(3, 4)) for i in range(6)]


def test_seven_eighths_keep_their_groups_when_mirrored() -> None:
    groups = [0, 1, 2, Fraction(7, 2), Fraction(9, 2), Fraction(11, 2), 7]
    spans = [(Fraction(a), Fraction(b)) for a, b in pairwise(groups)]
    notes = by_hand(spans, seed=5)
    phrase = make_phrase(make_part(*notes), meter=Meter(7, 8, (2, 2, 3)))
    assert turned(phrase)[:-1] == spans[:-1]


def test_a_thirty_second_run_is_written_finer_than_the_grid_before_notes_fall_together() -> None:
    spans = run(Fraction(1, 8), 16)
    notes = [make_note(on, off, 50 + i) for i, (on, off) in enumerate(spans)]
    assert turned(make_phrase(make_part(*notes))) == spans


def test_a_very_short_note_is_written_on_the_side_where_it_was_played() -> None:
    (span,) = turned(make_phrase(make_part(make_note("2", "2.05"))))
    assert span == (2, Fraction(9, 4))


def test_a_chord_is_not_moved_further_than_a_unit_to_close_a_line():
    # A lone tone ends a chord that was let go a 32nd into it, as a hand rolls off the keys.
    chord = [make_note(Fraction(1, 8), 4, pitch) for pitch in (48, 55, 60)]
    phrase = make_phrase(make_part(make_note(0, Fraction(1, 2), 76), *chord))
    (spans,) = quantize(phrase, grid_beats=Fraction(1, 4))
    for (on, _), note in zip(spans, phrase.parts[0].notes, strict=True):
        assert abs(on - note.on_beats) <= Fraction(1, 4)


def test_a_key_struck_again_in_a_chord_by_hand_leaves_no_thirty_second() -> None:
    # Under a pedal the first A4 ends where hands strike it again, a little after its chord.
    first = [("1.985", "3.027", 57), ("1.994", "3.027", 60), ("2.029", "3.01", 64)]
    again = [("3.027", 4, 57), ("3.027", 4, 60), ("3.01", 4, 64)]
    struck = [("2.079", "3.077", 69), ("3.077", 4, 69), ("2.498", 4, 81), ("3.5", 4, 76)]
    notes = [make_note(*each) for each in (*first, *again, *struck)]
    spans = turned(make_phrase(make_part(*notes), bars=1, us_per_quarter=952_381))
    assert {at for span in spans for at in span} <= {2, 3, 4, Fraction(5, 2), Fraction(7, 2)}


@pytest.mark.parametrize("tempo", [36, 60, 120])
@pytest.mark.parametrize("into", [Fraction(41, 100), Fraction(59, 100)])
def test_no_rhythm_is_so_simple_that_an_edge_is_a_unit_of_the_grid_off(tempo, into) -> None:
    # Nothing finer than the grid is written, so what is written is never further off than it.
    grid = Fraction(1, 4)
    note = make_note(4 + into, 6, 60, 80)
    phrase = make_phrase(make_part(note), bars=2, us_per_quarter=60_000_000 // tempo)
    (((on, off),),) = quantize(phrase, grid_beats=grid)
    assert off == 6
    assert abs(on - note.on_beats) <= grid


@pytest.mark.parametrize("gate", [Fraction(1, 5), Fraction(2, 5), Fraction(3, 5), Fraction(4, 5)])
@pytest.mark.parametrize("tempo", [60, 92, 138])
def test_a_sequencers_gate_is_no_quintuplet(gate: Fraction, tempo: int) -> None:
    # Step sequencers offer gates in steps of 20 %; nobody writes quintuplets for them.
    notes = [make_note(at, at + gate, 60 + at % 5, 80) for at in range(8)]
    phrase = make_phrase(make_part(*notes), bars=2, us_per_quarter=60_000_000 // tempo)
    spans = turned(phrase)
    assert [on for on, _ in spans] == list(range(8))
    assert all(off.denominator in (1, 2, 4, 8) for _, off in spans)

"""Bar and beat of a position and back; the other side is music21's own count of beats."""

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from music21 import meter, note, stream

from retro.model.time import (
    Bar,
    Meter,
    Place,
    bar_index,
    locate,
    position,
    printed_place,
    pulses,
    with_pick_up,
)
from retro.reversal.mirror import mirror_bars

FOUR = Meter.plain(4, 4)
QUARTERS = st.integers(-200, 400).map(lambda n: Fraction(n, 6))


@st.composite
def songs(draw: st.DrawFn) -> tuple[Bar, ...]:
    """Draw bars of several meters that begin inside their first bar and end inside their last."""
    kinds = [(2, 4), (3, 4), (4, 4), (6, 8), (7, 8), (12, 8), (3, 2)]
    meters = [Meter.plain(*draw(st.sampled_from(kinds))) for _ in range(draw(st.integers(1, 5)))]
    into = draw(st.integers(0, int(2 * meters[0].length_beats) - 1)) * Fraction(1, 2)
    at, bars = Fraction(0), []
    for index, each in enumerate(meters):
        length = each.length_beats - (into if index == 0 else 0)
        bars.append(Bar(at, length, each, into if index == 0 else Fraction(0)))
        at += length
    return tuple(bars)


@given(songs(), QUARTERS)
def test_a_place_leads_back_to_its_position(bars: tuple[Bar, ...], at: Fraction) -> None:
    place = locate(bars, at)
    assert position(bars, place) == at
    assert place.beat >= 1


@given(songs())
def test_places_rise_with_time_across_both_ends(bars: tuple[Bar, ...]) -> None:
    places = [locate(bars, Fraction(n, 4)) for n in range(-40, 160)]
    assert all(before < after for before, after in pairwise(places))


@given(st.integers(2, 5), st.data())
def test_beats_of_a_pick_up_are_those_that_music21_counts(numerator: int, data: st.DataObject):
    length = data.draw(st.integers(1, numerator))
    bars = with_pick_up((Bar(Fraction(0), Fraction(length), Meter.plain(numerator, 4)),))
    measure = stream.Measure()
    measure.timeSignature = meter.TimeSignature(f"{numerator}/4")
    measure.paddingLeft = numerator - length
    for quarter in range(length):
        measure.insert(quarter, note.Note())
    theirs = [Fraction(each.beat) for each in measure.notes]
    assert [locate(bars, Fraction(at)).beat for at in range(length)] == theirs


def test_a_pick_up_is_counted_to_its_end_and_its_mirror_from_one() -> None:
    """A pick-up of two beats is counted 3, 4 (common practice)."""
    song = with_pick_up((Bar(Fraction(0), Fraction(2), FOUR), Bar(Fraction(2), Fraction(4), FOUR)))
    assert locate(song, Fraction(1)) == Place(1, Fraction(4))
    insert = mirror_bars(song, Fraction(6))
    assert locate(insert, Fraction(4)) == Place(2, Fraction(1))
    assert locate(insert, Fraction(5)) == Place(2, Fraction(2))
    assert mirror_bars(insert, Fraction(6)) == song


@given(songs())
def test_mirrored_bars_mirror_back(bars: tuple[Bar, ...]) -> None:
    end = bars[-1].end_beats
    assert mirror_bars(mirror_bars(bars, end), end) == bars


def test_a_short_bar_inside_is_counted_from_one() -> None:
    bars = tuple(
        Bar(Fraction(at), Fraction(length), FOUR) for at, length in ((0, 4), (4, 2), (6, 4))
    )
    assert locate(bars, Fraction(5)) == Place(2, Fraction(2))
    assert locate(mirror_bars(bars, Fraction(10)), Fraction(5)) == Place(2, Fraction(2))


@pytest.mark.parametrize(
    ("at", "is_end", "index"), [(4, False, 1), (4, True, 0), (0, True, 0), (9, False, 1)]
)
def test_a_bar_line_belongs_to_what_begins_or_ends_there(at: int, is_end: bool, index: int) -> None:
    bars = (Bar(Fraction(0), Fraction(4), FOUR), Bar(Fraction(4), Fraction(4), FOUR))
    assert bar_index(bars, Fraction(at), is_end=is_end) == index


@given(songs())
def test_beat_groups_begin_where_their_place_says(bars: tuple[Bar, ...]) -> None:
    found = list(pulses(bars))
    assert all(position(bars, place) == at for at, place in found)
    for _, place in found:
        meter_of_bar = bars[place.bar - 1].meter
        assert (place.beat - 1) * meter_of_bar.unit_beats in meter_of_bar.pulses()
    lines = {bar.start_beats for bar in bars[1:]}
    assert lines <= {at for at, place in found if place.beat == 1}


def test_a_place_a_hair_before_a_bar_line_is_printed_as_the_next_bars_first_beat() -> None:
    meter = Meter.plain(4, 4)
    bars = tuple(Bar(Fraction(4 * i), Fraction(4), meter, number=i) for i in range(3))
    near = Fraction(4) - Fraction(1, 10_000)
    assert printed_place(bars, near) == Place(1, Fraction(1))
    assert printed_place(bars, near, decimals=4) == Place(0, Fraction(49_999, 10_000))
    assert printed_place(bars, Fraction(-1, 10_000)) == Place(0, Fraction(1))
    assert printed_place(bars, Fraction(12) - Fraction(1, 10_000)) == Place(3, Fraction(1))

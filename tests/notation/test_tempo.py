from fractions import Fraction

import pytest
from lxml import etree

from retro.model.time import Meter, Steps, TempoMap
from retro.musicxml.elements import metronome
from retro.notation.tempo import counted_unit, tempo_marks
from retro.units import bpm_to_us_per_quarter
from tests.notation.written import bars_of

FOUR = bars_of(*[Meter.plain(4, 4)] * 4)


def tempo(*steps, length=16):
    """Steps are (beat, quarters a minute)."""
    starts, values = zip(
        *((Fraction(at), bpm_to_us_per_quarter(bpm)) for at, bpm in steps), strict=True
    )
    return TempoMap(Steps(Fraction(length), starts, values))


def printed(tempo_map, bars=FOUR):
    return [
        (float(mark.at_beats), mark.words or f"{mark.unit}={mark.per_minute}")
        for mark in tempo_marks(tempo_map, bars)
    ]


def test_one_tempo_is_one_metronome_mark():
    assert printed(tempo((0, 92))) == [(0.0, "1=92")]


@pytest.mark.parametrize(
    ("bpm", "mark", "click"),
    [
        (Fraction("96.81"), "96.8", "96.81"),
        (Fraction("96.96"), "97", "96.96"),
        (Fraction("96.5"), "96.5", ""),
        (97, "97", ""),
        (Fraction("100.004"), "100", ""),
    ],
)
def test_a_metronome_mark_has_one_decimal_and_says_what_the_click_does_else(bpm, mark, click):
    """A file has whole microseconds a quarter note, so that 97 is 97.00002."""
    (made,) = tempo_marks(tempo((0, bpm)), FOUR)
    assert (made.per_minute, made.click) == (mark, click)


def test_a_new_tempo_that_holds_is_printed_and_an_unnoticeable_one_is_not():
    assert printed(tempo((0, 100), (4, 101), (8, 120))) == [(0.0, "1=100"), (8.0, "1=120")]


def test_many_small_steps_become_one_word_and_the_tempo_that_they_lead_to():
    steps = [(0, 120), *((4 + Fraction(k, 2), 118 - 2 * k) for k in range(16)), (12, 80)]
    assert printed(tempo(*steps)) == [(0.0, "1=120"), (4.0, "rit."), (12.0, "1=80")]


def test_a_change_that_turns_gets_a_word_each_way():
    down = [(k, 120 - 4 * k) for k in range(8)]
    up = [(8 + k, 96 + 4 * k) for k in range(8)]
    marks = printed(tempo(*down, *up))
    assert marks == [(0.0, "1=120"), (0.0, "rit."), (7.0, "accel.")]


def test_a_hand_played_tempo_that_wavers_is_printed_once_and_about():
    bpm = [74, 73, 67, 75, 66, 73, 66, 72, 65, 70, 72, 73, 67, 73, 65, 74]
    assert printed(tempo(*enumerate(bpm))) == [(0.0, "1=c. 70")]


def test_a_mirrored_accelerando_is_a_ritardando():
    steps = [(0, 80), *((4 + k, 84 + 4 * k) for k in range(8)), (12, 120)]
    forwards = [words for _, words in printed(tempo(*steps))]
    backwards = [words for _, words in printed(tempo(*steps).mirrored())]
    assert (forwards[1], backwards[1]) == ("accel.", "rit.")


@pytest.mark.parametrize(
    ("meter", "unit"),
    [
        (Meter.plain(4, 4), 1),
        (Meter.plain(6, 8), Fraction(3, 2)),
        (Meter.plain(2, 2), 2),
        (Meter.plain(7, 8), Fraction(1, 2)),
        (Meter.plain(4, 8), 1),
    ],
)
def test_the_metronome_counts_the_beat_of_the_meter(meter, unit):
    assert counted_unit(meter) == unit


@pytest.mark.parametrize(
    ("before", "after", "unit"),
    [((4, 4), (6, 8), "1/2"), ((7, 8), (12, 8), "1/2"), ((4, 4), (2, 2), "1")],
)
def test_a_meter_that_counts_in_another_note_says_which_stays_as_long(before, after, unit):
    bars = bars_of(Meter.plain(*before), Meter.plain(*after))
    marks = tempo_marks(tempo((0, 90), length=bars[-1].end_beats), bars)
    assert [(mark.at_beats, mark.unit, mark.is_equal) for mark in marks[1:]] == [
        (bars[1].start_beats, Fraction(unit), True)
    ]
    sign = etree.tostring(metronome(marks[1].unit, marks[1].per_minute)).decode()
    assert sign.count("<beat-unit>") == 2
    assert "per-minute" not in sign


def test_a_meter_that_counts_as_before_or_a_new_tempo_says_nothing_of_the_kind():
    for meters, steps in (((7, 5), ((0, 90),)), ((7, 12), ((0, 90), ("7/2", 70)))):
        bars = bars_of(*(Meter.plain(count, 8) for count in meters))
        marks = tempo_marks(tempo(*steps, length=bars[-1].end_beats), bars)
        assert not any(mark.is_equal for mark in marks)

"""Timecode: labels, drops, midnight, and what remains inside a frame."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.errors import SettingsError
from retro.units.timecode import (
    FRAME_RATES,
    frame_label,
    frame_rate,
    label_seconds,
    parse_label,
    samples_a_frame,
    timecode_at,
)

RATES = st.sampled_from(sorted(FRAME_RATES)).map(FRAME_RATES.__getitem__)


@given(RATES, st.integers(-10_000_000, 10_000_000))
def test_a_label_read_back_is_its_frame_of_the_day(rate, frame):
    assert parse_label(frame_label(frame, rate), rate) == frame % rate.frames_a_day


@given(RATES, st.fractions(-100_000, 100_000), st.sampled_from([44_100, 48_000, 192_000]))
def test_label_and_remainder_together_are_the_exact_time(rate, seconds, sample_rate):
    at = timecode_at(seconds, rate, sample_rate=sample_rate)
    assert 0 <= at.remainder_samples < samples_a_frame(rate, sample_rate)
    told_s = label_seconds(at.label, rate) + at.remainder_samples / sample_rate
    assert (seconds - told_s) % rate.day_s == 0


def test_the_session_start_is_added_as_a_label():
    rate = frame_rate("23.976")
    at = timecode_at(Fraction(1001, 1000), rate, sample_rate=48_000, start="01:00:00:00")
    assert (at.label, at.remainder_samples) == ("01:00:01:00", 0)


def test_an_hour_of_labels_at_23_976_lasts_3603_point_6_seconds():
    assert label_seconds("01:00:00:00", frame_rate("23.976")) == Fraction(36036, 10)


def test_before_midnight_wraps_to_the_end_of_the_day():
    assert timecode_at(Fraction(-1, 25), frame_rate("25"), sample_rate=48_000).label == (
        "23:59:59:24"
    )


def test_the_last_frame_of_the_day_is_followed_by_the_first():
    rate = frame_rate("29.97df")
    at = timecode_at(1 / rate.fps, rate, sample_rate=48_000, start="23:59:59;29")
    assert at.label == "00:00:00;00"


@pytest.mark.parametrize("label", ["00:01:00;00", "00:01:00;01", "10:59:00:01"])
def test_a_label_that_drop_frame_leaves_out_is_refused(label):
    with pytest.raises(SettingsError, match=r"does not exist at 29\.97df"):
        parse_label(label, frame_rate("29.97df"))


@pytest.mark.parametrize(
    "label",
    ["", "1:2:3", "24:00:00:00", "00:00:00:25", "00:60:00:00", "-1:00:00:00", "٠٠:00:00:00"],
)
def test_what_is_no_timecode_is_refused(label):
    with pytest.raises(SettingsError, match="is no timecode"):
        parse_label(label, frame_rate("25"))


def test_a_semicolon_where_nothing_is_dropped_is_refused():
    with pytest.raises(SettingsError, match="drops nothing"):
        parse_label("01:00:00;00", frame_rate("30"))


def test_an_unknown_rate_is_refused_with_the_known_ones():
    with pytest.raises(SettingsError, match=r"no timecode rate '60'; one of 23\.976, 24"):
        frame_rate("60")

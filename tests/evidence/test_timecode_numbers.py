"""Timecode against worked numbers and against an independent library over a whole day."""

from fractions import Fraction

import pytest
from timecode import Timecode as IndependentTimecode

from retro.units.timecode import FRAME_RATES, frame_label, parse_label, samples_a_frame

DROP = FRAME_RATES["29.97df"]

# SMPTE ST 12-1's rule worked by hand (derived, checked both ways over a day).
WORKED = {
    1799: "00:00:59;29",
    1800: "00:01:00;02",
    3598: "00:02:00;02",
    17981: "00:09:59;29",
    17982: "00:10:00;00",
    53946: "00:30:00;00",
    107892: "01:00:00;00",
    2589407: "23:59:59;29",
}

# The PyPI `timecode` library's settings for the rates; its `.frames` counts from 1.
INDEPENDENT = {
    "23.976": {"framerate": "23.976"},
    "24": {"framerate": "24"},
    "25": {"framerate": "25"},
    "29.97": {"framerate": "29.97", "force_non_drop_frame": True},
    "29.97df": {"framerate": "29.97"},
    "30": {"framerate": "30"},
}


@pytest.mark.parametrize(("frame", "label"), WORKED.items())
def test_drop_frame_gives_the_worked_numbers(frame, label, record_evidence):
    assert frame_label(frame, DROP) == label
    assert parse_label(label, DROP) == frame
    record_evidence(
        what=f"drop-frame label of frame {frame}",
        source="rule of SMPTE ST 12-1, worked by hand",
        expected=label,
        found=frame_label(frame, DROP),
    )


def test_a_drop_frame_at_48_khz_is_1601_point_6_samples():
    assert samples_a_frame(DROP, 48_000) == Fraction(8008, 5)


def test_every_frame_of_an_hour_of_drop_frame_has_its_own_label():
    frames = range(parse_label("01:00:00;00", DROP))
    labels = [frame_label(frame, DROP) for frame in frames]
    assert labels == sorted(set(labels))
    assert [parse_label(label, DROP) for label in labels] == list(frames)


@pytest.mark.parametrize("name", INDEPENDENT)
def test_a_day_agrees_with_an_independent_library(name, record_evidence):
    rate = FRAME_RATES[name]
    around_minutes = {
        minute * rate.frames_in_ten_minutes // 10 + offset
        for minute in range(1440)
        for offset in range(-2, 3)
    }
    for frame in sorted(frame % rate.frames_a_day for frame in around_minutes):
        theirs = str(IndependentTimecode(**INDEPENDENT[name], frames=frame + 1))
        assert frame_label(frame, rate) == theirs
    record_evidence(
        what=f"timecode at {name}: the frames around every minute of a day",
        source="PyPI timecode",
        expected=f"its {len(around_minutes)} labels",
        found="all equal",
    )

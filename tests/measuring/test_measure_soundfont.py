"""Lateness on takes of real sampled instruments, against a dry render of the same notes.

Offsets are whole blocks of the synthesiser (64 frames), which starts notes nowhere else.
"""

import json

import numpy as np
import pytest
import soundfile

from retro.measuring.measure import measure_take
from retro.read.plan_file import parse_plan
from tests.measuring.orchestra_take import (
    LEAD_S,
    MISSING,
    PROGRAMS,
    RATE,
    ensemble_plan,
    in_room,
    soundfont_take,
    with_clicks,
    with_noise,
)

pytestmark = pytest.mark.skipif(bool(MISSING), reason=MISSING)

LATE_S = 24 * 64 / RATE


def measured_ms(heard, plan, folder):
    path = folder / "heard.wav"
    soundfile.write(path, heard * (0.5 / np.abs(heard).max()), RATE, subtype="PCM_24")
    return measure_take(path, plan, phrase_start_samples=int(LEAD_S * RATE))


@pytest.fixture(scope="module", params=[0, 1, 2])
def session(request, tmp_path_factory):
    """Return a plan, its dry take and how it measures, and the same take played late."""
    folder = tmp_path_factory.mktemp("soundfont")
    document = ensemble_plan(request.param, parts_count=len(PROGRAMS))
    plan = parse_plan(json.dumps(document).encode(), where="plan.json")
    heard = soundfont_take(plan, folder)
    return document, plan, heard, soundfont_take(plan, folder, late_s=LATE_S)


def error_ms(session, on_time, late, folder):
    _, plan, _, _ = session
    found, reference = (measured_ms(heard, plan, folder) for heard in (late, on_time))
    return found.lateness_ms - reference.lateness_ms - 1000 * LATE_S


def test_lateness_is_found_within_3_ms_at_20_db_with_click_bleed(session, tmp_path):
    document, _, on_time, late = session
    heard = with_noise(with_clicks(late, document), 20.0)
    assert abs(error_ms(session, on_time, heard, tmp_path)) <= 3.0


def test_lateness_is_found_within_10_ms_in_a_room_of_2_2_s_with_click_bleed(session, tmp_path):
    """Against the same room without noise: the room's share makes every group rise later."""
    document, _, on_time, late = session
    heard = with_noise(with_clicks(in_room(late, 2.2), document), 30.0)
    assert abs(error_ms(session, in_room(on_time, 2.2), heard, tmp_path)) <= 10.0


def test_sampled_instruments_speak_when_they_should(session, tmp_path):
    """The notes start on the paper's times; sampled winds and strings speak within 60 ms."""
    _, plan, on_time, _ = session
    assert 0.0 < measured_ms(on_time, plan, tmp_path).lateness_ms < 60.0

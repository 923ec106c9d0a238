"""The landing that a plan names is the anchor wherever the plan is used: built, placed, flipped."""

import numpy as np
import pytest
import soundfile

from retro.placement.place import Session, TakeRange, place_plan
from retro.plan.document import plan_json
from retro.read.plan_file import parse_plan
from retro.takes.common_range import open_take
from retro.takes.flip_range import plan_flip
from tests.example import example_plan

RATE = 8_000
OFF_THE_GRID = "28.1.99"


def test_placing_and_flipping_by_a_plan_anchor_the_clip_where_the_plan_says(tmp_path):
    built = {on: example_plan(lands_on=on, rate=RATE) for on in (None, OFF_THE_GRID)}
    take_path = tmp_path / "Room.wav"
    soundfile.write(take_path, np.zeros(40 * RATE, dtype=np.int16), RATE)
    shifts = {}
    for on, plan in built.items():
        read = parse_plan(plan_json(plan), where="plan.json")
        session = Session(rate=RATE)
        placed = place_plan(read, session=session, take=TakeRange())
        flipped = plan_flip(
            read, open_take([take_path]), session=session, phrase_start_samples=RATE
        ).placement
        for again in (placed, flipped):
            assert again.anchor.bar == plan.placement.anchor.bar
            assert again.anchor.at_s == pytest.approx(plan.placement.anchor.at_s, abs=1e-6)
            assert again.shift_ms == pytest.approx(plan.placement.shift_ms, abs=0.01)
        shifts[on] = placed.anchor.bar, placed.shift_ms
    assert shifts[OFF_THE_GRID][0] == 28
    assert abs(shifts[OFF_THE_GRID][1] - shifts[None][1]) > 1.0

"""The flipped preview against the plan and the picture: every kind of note, curves and rooms."""

from dataclasses import replace

import numpy as np
import pytest

from retro.model.settings import Settings
from retro.model.sound import Room
from retro.render.picture import heard_envelopes
from retro.render.preview import render_preview
from tests.example import example_plan
from tests.render.test_preview import (
    assert_heard_as_planned,
    channels,
    envelope_of,
    frames_at,
    swelling,
)

EVERY = 15
"""Only every so manieth note of the example is rendered: slow and fast, sustained and struck."""

DRAWN_WITHIN_DB = 1.0
MIN_DB = -30.0
"""Below this the threshold of the drawing is near, and the room's noise is what is measured."""


def test_notes_of_the_example_alone_cross_the_threshold_where_the_plan_says() -> None:
    performance = example_plan().performance
    notes = performance.notes[::EVERY]
    has_moment = [n for n in notes if n.onset_s is not None or n.lands_s is not None]
    assert len(has_moment) >= 10
    for note in has_moment:
        assert_heard_as_planned(replace(performance, notes=(note,)))


@pytest.mark.parametrize("room", [Room(0.3, 20.0), Room(1.6, 0.0)])
@pytest.mark.parametrize("attack_s", [0.02, 0.3])
@pytest.mark.parametrize(("first", "last"), [(90, 127), (127, 90), (0, 127), (127, 0)])
def test_what_is_drawn_is_the_envelope_that_is_measured(
    first: int, last: int, attack_s: float, room: Room
) -> None:
    settings = replace(Settings(), room=room)
    performance = swelling(first, last, settings=settings, attack_s=attack_s)
    times_s, levels_db = (of_all[0] for of_all in heard_envelopes(performance))
    preview = render_preview(performance)
    envelope = envelope_of(channels(preview)[0], preview.rate)
    frames = np.clip(frames_at(preview, *times_s), 0, len(envelope) - 1)
    measured_db = 20.0 * np.log10(np.maximum(envelope[frames] / envelope.max(), 1e-9))
    drawn_db = levels_db - levels_db.max()
    is_drawn = drawn_db > MIN_DB
    assert np.count_nonzero(is_drawn) > 30
    assert measured_db[is_drawn] == pytest.approx(drawn_db[is_drawn], abs=DRAWN_WITHIN_DB)

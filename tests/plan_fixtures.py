"""A small insert and its plan, as the pack states them."""

import json
import os
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

import pytest

from retro.model.performance import Performance, Window
from retro.model.phrase import Phrase
from retro.model.settings import Settings
from retro.model.time import Steps, TempoMap
from retro.placement.place import place_performance
from retro.plan.compose import Plan
from retro.plan.document import plan_json
from retro.read.song import Song
from retro.reversal.compensate import perform
from tests.conftest import make_note, make_part, make_phrase, make_player


def make_song(*, parts=None, bars: int = 12) -> Phrase:
    """Return twelve bars of 4/4 that slow down from bar 5 on, with notes in bars 5 to 8."""
    if parts is None:
        parts = (
            make_part(
                make_note(16, 20, 60),
                make_note(20, Fraction(45, 2), 64, 100),
                make_note(Fraction(45, 2), 26, 67, 60),
                make_note(27, 32, 72),
            ),
            make_part(make_note(18, 24, 48), make_note(24, 31, 43)),
        )
    song = make_phrase(*parts, bars=bars)
    length = song.length_beats
    slower = Steps(length, (Fraction(0), Fraction(16)), (500_000, 571_429))
    return replace(song, tempo=TempoMap(slower))


def make_window(song: Phrase, first_bar: int = 5, last_bar: int = 8) -> Window:
    """Return the window of some bars of a song."""
    start, end = song.bars[first_bar - 1].start_beats, song.bars[last_bar - 1].end_beats
    return Window(
        start_beats=start,
        end_beats=end,
        start_s=song.tempo.seconds_at(start),
        end_s=song.tempo.seconds_at(end),
        start_bar=first_bar,
        end_bar=last_bar,
    )


def make_performance(song: Phrase, window: Window, settings: Settings) -> Performance:
    """Return the performance of a window, every part by the same plain player."""
    target = song.cut(window.start_beats, window.end_beats)
    return perform(target, tuple(make_player() for _ in target.parts), settings)


def make_plan_document(song: Phrase, window: Window, settings: Settings) -> dict[str, object]:
    """Return a plan as JSON has it."""
    performance = make_performance(song, window, settings)
    plan = Plan(
        song=Song(
            name="study.mid", sha256="0" * 64, ticks_per_quarter=480, phrase=song, notices=()
        ),
        window=window,
        performance=performance,
        placement=place_performance(performance, window=window, song=song),
        silent=(),
        findings=(),
    )
    return json.loads(plan_json(plan))


@pytest.fixture(scope="session")
def plan_document() -> dict[str, object]:
    """Return the plan of the small insert."""
    song = make_song()
    return make_plan_document(song, make_window(song), Settings(session_start="01:00:00:00"))


@pytest.fixture(scope="module")
def unflushed() -> Iterator[None]:
    """Do not wait for the disk."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _: None)
        yield

"""Numbers of the sheet and of the plan, reckoned again from the notes and bars alone."""

import json
import statistics
from fractions import Fraction
from functools import cache
from typing import Any

import pytest

from retro.plan.document import plan_json
from retro.sheet.data import page_data
from retro.sheet.sound import SheetAudio
from tests.example import example_plan

SILENCE = SheetAudio(target=b"", flipped=b"", length_s=1.0, window_at_s=0.5)


@cache
def data() -> Any:
    return json.loads(page_data(example_plan(), SILENCE, ()))


@cache
def document() -> Any:
    return json.loads(plan_json(example_plan()))


def in_bar(beats: float) -> tuple[int, float]:
    """Return the bar of the insert, from 1, and how many quarter notes into it a place lies."""
    at = Fraction(beats)
    for number, bar in enumerate(example_plan().performance.insert.bars, start=1):
        if at < bar.length_beats:
            return number, float(at)
        at -= bar.length_beats
    raise AssertionError(beats)


def test_every_note_is_read_where_its_written_start_lies() -> None:
    notes = example_plan().performance.notes
    bars = example_plan().performance.insert.bars
    letter = example_plan().performance.settings.letter
    for note, shown in zip(notes, data()["notes"], strict=True):
        number, into = in_bar(float(note.written_on_beats))
        beat = 1 + into * bars[number - 1].meter.denominator / 4
        assert shown["read_at"] == f"{letter}{number} beat {beat:g}"


def test_the_song_counts_on_through_the_window() -> None:
    plan = example_plan()
    shown = data()["song_beats"]
    bars = [beat["bar"] for beat in shown if beat["beat"] == 1]
    assert bars == list(range(plan.window.start_bar, plan.window.end_bar + 1))
    assert [beat["accent"] for beat in shown] == [beat["beat"] == 1 for beat in shown]
    times = [beat["at_s"] for beat in shown]
    assert times[0] == 0.0
    assert times == sorted(times)
    assert times[-1] < float(plan.window.length_s)


def test_a_finding_points_at_a_note_of_its_player_near_its_place() -> None:
    plan = example_plan()
    notes = plan.performance.notes
    for finding, shown in zip(plan.findings, data()["findings"], strict=True):
        if shown is None:
            continue
        name = plan.performance.players[shown["part"]].name
        assert name == finding.player
        assert in_bar(shown["beats"])[0] == finding.bar
        own = [note for note in notes if note.part == shown["part"]]
        nearest = min(abs(float(note.written_on_beats) - shown["beats"]) for note in own)
        found = notes[shown["note"]]
        assert found.part == shown["part"]
        assert abs(float(found.written_on_beats) - shown["beats"]) == nearest


def test_the_figures_of_a_part_are_those_of_its_notes() -> None:
    for part in document()["parts"]:
        notes = [note for note in document()["notes"] if note["part"] == part["index"]]
        for key in ("attack_s", "decay_s", "written_attack_s", "written_decay_s"):
            assert part[key] == pytest.approx(statistics.median(note[key] for note in notes))
        for spread, error in (
            ("onset_spread_ms", "written_onset_error_ms"),
            ("landing_spread_ms", "written_landing_error_ms"),
        ):
            errors = [note[error] for note in notes if note[error] is not None]
            half = (max(errors) - min(errors)) / 2 if errors else 0.0
            assert part[spread] == pytest.approx(half, abs=0.001)


def test_the_errors_of_a_note_are_heard_minus_wanted() -> None:
    for note in document()["notes"]:
        if note["onset_error_ms"] is not None and note["onset_s"] is not None:
            wanted = note["target_on_s"]
            heard = note["onset_s"] - note["onset_error_ms"] / 1000
            assert heard == pytest.approx(wanted, abs=1e-5)


def test_the_sheet_hands_on_what_the_placement_says() -> None:
    placement, passage = document()["placement"], data()["passage"]
    assert float(Fraction(passage["roll_s"])) == pytest.approx(placement["roll_s"])
    assert float(Fraction(passage["first_attack_s"])) == placement["first_attack_s"]
    assert float(Fraction(passage["audible_from_s"])) == placement["audible_from_s"]
    assert float(Fraction(passage["start_s"])) == pytest.approx(
        placement["window_start_samples"] / placement["rate"], abs=1 / placement["rate"]
    )
    assert passage["spread_ms"] == placement["spread_ms"]
    assert passage["shift_ms"] == placement["shift_ms"]

"""A stop before any file operation of a command leaves the old or the new, whole.

The counting and the stopping is `tests.files.stops`, in a process of its own. A run is killed; or
the disk refuses one operation, or all from one on.
"""

import json
import subprocess
import sys
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from tests.files.cases import CASES, in_sight
from tests.files.stops import KILLED, NOT_MET

Stop = dict[str, Any]
MIN_STOPS = 5
ROOT = Path(__file__).parent.parent.parent
HOWS = ("kill", "fault", "full")
TWO_NAMES = ("draft", "draft --overwrite")
FLIPS = ("flip", "flip --overwrite")


@cache
def stops(case: str, how: str) -> list[Stop]:
    with TemporaryDirectory() as folder:
        told = Path(folder) / "told.json"
        command = [sys.executable, "-m", "tests.files.stops", case, how, f"{folder}/work"]
        subprocess.run([*command, str(told)], cwd=ROOT, capture_output=True, check=True)
        return json.loads(told.read_text())


def old_and_new(found: list[Stop]) -> tuple[dict[str, str], dict[str, str]]:
    return found[0]["before"], found[-1]["then"]


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("how", HOWS)
def test_every_stop_is_met_and_the_last_run_is_not(case: str, how: str) -> None:
    found = stops(case, how)
    old, new = old_and_new(found)
    assert len(found) > MIN_STOPS
    assert found[-1]["code"] == NOT_MET
    assert new != old
    if how == "kill":
        assert {stop["code"] for stop in found[:-1]} == {KILLED}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("how", HOWS)
def test_a_stop_at_any_step_leaves_the_old_or_the_new(case: str, how: str) -> None:
    found = stops(case, how)
    old, new = old_and_new(found)
    mixed = [stop["then"] for stop in found if in_sight(stop["then"]) not in (old, new)]
    if case in TWO_NAMES:
        assert len(mixed) <= 1
    elif case not in FLIPS:
        assert mixed == []
    for then in mixed:
        assert_known(case, then, old, new)


def assert_known(case: str, then: dict[str, str], old: dict[str, str], new: dict[str, str]) -> None:
    """Every file is old or new; of a draft's two a journal says what is to be ended."""
    if case in TWO_NAMES:
        assert ".swell.mid.retro-part/ready/journal" in then
    for path, text in in_sight(then).items():
        is_list = case in FLIPS and path == "out/flip.json"  # it tells of the clips so far
        assert is_list or text in (old.get(path), new.get(path))
    assert old.keys() <= then.keys()


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("how", HOWS)
def test_the_run_after_a_stop_ends_it_and_leaves_nothing_else(case: str, how: str) -> None:
    found = stops(case, how)
    _, new = old_and_new(found)
    followed = [stop["after"] for stop in found if stop["after"] is not None]
    assert len(followed) > 1
    assert [after for after in followed if after != new] == []

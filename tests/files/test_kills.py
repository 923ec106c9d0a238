"""A kill before any file operation of a command leaves the old or the new, whole.

The counting and the killing is `tests.files.kills`, in a process of its own.
"""

import json
import subprocess
import sys
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from tests.files.kills import CASES, KILLED

Kill = dict[str, Any]
MIN_KILLS = 5
ROOT = Path(__file__).parent.parent.parent


@cache
def kills(case: str) -> list[Kill]:
    with TemporaryDirectory() as folder:
        told = Path(folder) / "told.json"
        command = [sys.executable, "-m", "tests.files.kills", case, f"{folder}/work", str(told)]
        subprocess.run(command, cwd=ROOT, capture_output=True, check=True)
        return json.loads(told.read_text())


def in_sight(state: dict[str, str]) -> dict[str, str]:
    return {path: text for path, text in state.items() if "/." not in f"/{path}"}


@pytest.mark.parametrize("case", CASES)
def test_every_kill_is_met_and_the_last_run_is_not(case: str) -> None:
    found = kills(case)
    assert len(found) > MIN_KILLS
    assert [kill["code"] for kill in found] == [KILLED] * (len(found) - 1) + [0]
    assert found[-1]["then"] != found[-1]["before"]


@pytest.mark.parametrize("case", ["build", "build --overwrite", "place --csv"])
def test_a_kill_at_any_step_leaves_the_old_or_the_new(case: str) -> None:
    found = kills(case)
    old, new = found[0]["before"], found[-1]["then"]
    assert [kill for kill in found if in_sight(kill["then"]) not in (old, new)] == []


@pytest.mark.parametrize("case", ["draft", "draft --overwrite"])
def test_a_kill_between_target_and_settings_is_known_and_ended_by_the_next_run(case: str) -> None:
    """Two files have two names; between the renames the journal says so, and nothing is built."""
    found = kills(case)
    old, new = found[0]["before"], found[-1]["then"]
    mixed = [kill for kill in found if in_sight(kill["then"]) not in (old, new)]
    assert len(mixed) <= 1
    for kill in mixed:
        assert ".swell.mid.retro-part/ready/journal" in kill["then"]
        for path, text in in_sight(kill["then"]).items():
            assert text in (old.get(path), new.get(path))


@pytest.mark.parametrize("case", ["flip", "flip --overwrite"])
def test_a_kill_at_any_step_leaves_every_clip_old_or_new(case: str) -> None:
    found = kills(case)
    old, new = found[0]["before"], found[-1]["then"]
    for kill in found:
        for path, text in in_sight(kill["then"]).items():
            assert path.endswith("flip.json") or text in (old.get(path), new.get(path))
        assert {path for path in old if path not in kill["then"]} == set()


@pytest.mark.parametrize("case", CASES)
def test_the_run_after_a_kill_ends_it_and_leaves_nothing_else(case: str) -> None:
    found = kills(case)
    new = found[-1]["then"]
    followed = [kill["after"] for kill in found if kill["after"] is not None]
    assert len(followed) > 1
    assert [after for after in followed if after != new] == []

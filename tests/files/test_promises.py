"""What is promised in docs/promises.md, command by command; a stop is tried in `test_stops`.

The runs are those of `tests.files.trials`, in a process of its own for each case.
"""

import json
import subprocess
import sys
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from tests.files.cases import CASES, command_of
from tests.files.trials import MINE, ONE_FILE, TRIALS

Run = dict[str, Any]
ROOT = Path(__file__).parent.parent.parent
every_case = pytest.mark.parametrize("case", CASES)


@cache
def trials(case: str) -> dict[str, list[Run]]:
    with TemporaryDirectory() as folder:
        told = Path(folder) / "told.json"
        command = [sys.executable, "-m", "tests.files.trials", case, f"{folder}/work", str(told)]
        subprocess.run(command, cwd=ROOT, capture_output=True, check=True)
        return json.loads(told.read_text())


def assert_refused(run: Run, *, says: str = "") -> None:
    """Exit code 1, one line, and nothing anywhere has changed or was added."""
    assert (run["code"], run["after"]) == (1, run["before"]), run["said"]
    assert run["said"].startswith("retro: ")
    assert run["said"].count("\n") == 1
    assert says in run["said"]
    assert "unexpected fault" not in run["said"]


def assert_no_room(case: str, run: Run, new: dict[str, str]) -> None:
    """The old stands, but for whole clips, and the line says which place has no room."""
    lines = [line for line in run["said"].splitlines() if line.startswith("retro: ")]
    lines = [line for line in lines if line != "retro: stopped"]
    assert len(lines) == 1
    assert any(word in lines[0] for word in ("too large", "No space", "left and", "disk full"))
    assert lines[0].count(": ") >= 2, "it names no file"
    whole = {path for path in new if path.endswith(".wav")} if case.startswith("flip") else set()
    whole |= {"out/flip.json"} if run["after"].keys() & whole else set()
    for path in run["before"].keys() | run["after"].keys():
        told = run["after"].get(path)
        assert told == run["before"].get(path) or (path in whole and told), path
        if path in whole and path != "out/flip.json":
            assert told in (run["before"].get(path), new[path])


def test_every_trial_has_a_test() -> None:
    tested = {"taken", "mine", "two_at_once", "inside", "link", "read_only"}
    assert {trial.__name__ for trial in TRIALS} == tested | {"small_files", "full_disk"}


@every_case
def test_what_is_there_is_not_overwritten(case: str) -> None:
    runs = trials(case)["taken"]
    assert len(runs) == 3
    for run in runs:
        assert_refused(run)


@every_case
def test_what_a_person_put_there_is_not_lost(case: str) -> None:
    if case == "build":
        assert not trials(case)["mine"], "nothing stands there yet"
        return
    (run,) = trials(case)["mine"]
    for path in MINE[command_of(case)]:
        assert run["before"][path] == run["after"][path]
    is_renewed = case.startswith("day") and case not in ONE_FILE
    can_renew = case in ("build --watch", "draft") or "--overwrite" in case or is_renewed
    assert (run["after"] != run["before"]) is can_renew


@every_case
def test_of_two_at_once_the_second_is_refused(case: str) -> None:
    (run,) = trials(case)["two_at_once"]
    assert_refused(run, says="another run of retro is writing this")


@every_case
def test_a_place_that_is_or_holds_or_lies_in_an_input_is_refused(case: str) -> None:
    runs = trials(case)["inside"]
    assert runs
    for run in runs:
        assert_refused(run)


@every_case
def test_what_a_link_names_is_not_written_to(case: str) -> None:
    runs = trials(case)["link"]
    assert len(runs) == 3
    for run in runs:
        before = {path: text for path, text in run["before"].items() if path.startswith("theirs")}
        after = {path: text for path, text in run["after"].items() if path.startswith("theirs")}
        assert before == after
        if not case.startswith("flip"):  # it replaces the link itself; see docs/flip.md
            assert_refused(run)
    assert any(path.startswith("theirs/") for run in runs for path in run["before"])


@every_case
def test_a_read_only_place_is_refused(case: str) -> None:
    (run,) = trials(case)["read_only"]
    assert "Permission denied" in run["said"]
    if case == "build --watch":
        assert run["after"] == run["before"]
        assert "Traceback" not in run["said"]
    else:
        assert_refused(run)


@every_case
@pytest.mark.parametrize("kind", ["small_files", "full_disk"])
def test_a_full_disk_leaves_the_old(case: str, kind: str) -> None:
    runs = trials(case)[kind]
    if not runs:
        pytest.skip("only root may mount a small disk")
    new = runs[-1]["after"]
    assert new != runs[-1]["before"], "the last run has room"
    full = [run for run in runs[:-1] if run["after"] != new]
    assert full
    for run in full:
        assert_no_room(case, run, new)
        if case != "build --watch":
            assert run["code"] == 1

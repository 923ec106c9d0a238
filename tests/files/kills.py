"""Runs a command again and again and kills it one file operation later each time.

``python -m tests.files.kills CASE FOLDER FILE`` writes as JSON, for every kill, what stood there
then and what stands there after the next run. Operations are
counted by Python's audit events, before each happens; nothing depends on time. Flushing to the disk
is left out: it is slow, and a killed process needs none.
"""

import hashlib
import json
import os
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from retro.cli import app
from retro.model.settings import Settings
from retro.plan import compose
from tests.example import TARGET

STEPS = {"os.rename", "os.link", "os.mkdir", "os.rmdir", "os.remove", "os.truncate"}
WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT
KILLED = 9
MAX_KILLS = 2000
RUNS_AGAIN = 6
"""Of this many kills one is followed by the next run; the first and the last always are."""
BUILD = ["build", str(TARGET), "--out", "pack", "--only", "engineer", "--quiet"]
NEW_BUILD = [*BUILD, "--bars", "23-23"]
DRAFT = ["draft", "swell.mid", "--players", "flute", "--pitches", "C5", "--song", str(TARGET)]


@dataclass(frozen=True, kw_only=True)
class Case:
    """What stands there first, the command that is killed, and the run after it."""

    prepare: Callable[[], None] = lambda: None
    command: list[str]
    again: list[str]


_plan_file = compose.plan_file
_plans: dict[str, compose.Plan] = {}


def planned_once(path: Path, settings: Settings) -> compose.Plan:
    """Plan each window once: the plan writes nothing, and every kill would plan it anew."""
    key = f"{path} {settings}"
    if key not in _plans:
        _plans[key] = _plan_file(path, settings)
    return _plans[key]


compose.plan_file = planned_once


def run(words: list[str]) -> int:
    """Run a command line here; return its exit code."""
    try:
        app(words, standalone_mode=False)
    except Exception:  # a refusal, as main would print it
        return 1
    return 0


def _old_pack() -> None:
    run([*BUILD, "--bars", "22-22"])
    Path("pack/notes.txt").write_text("mine")
    Path("pack/engineer/placement.csv").write_text("changed")


def _old_draft() -> None:
    run([*DRAFT, "--bar", "33"])


def _take() -> None:
    Path("take").mkdir()
    for number in range(2):
        sound = np.random.default_rng(number).uniform(-0.5, 0.5, 500)
        soundfile.write(f"take/mic{number}.wav", sound, 48_000, "PCM_24")


def _old_flip() -> None:
    _take()
    run(["flip", "take", "--out", "out", "--range", "0-400", "--quiet"])


def _plan() -> None:
    run(NEW_BUILD)


FLIP = ["flip", "take", "--out", "out", "--quiet"]
CASES = {
    "build": Case(command=NEW_BUILD, again=[*NEW_BUILD, "--overwrite"]),
    "build --overwrite": Case(
        prepare=_old_pack,
        command=[*NEW_BUILD, "--overwrite"],
        again=[*NEW_BUILD, "--overwrite"],
    ),
    "draft": Case(command=[*DRAFT, "--bar", "34"], again=[*DRAFT, "--bar", "34", "--overwrite"]),
    "draft --overwrite": Case(
        prepare=_old_draft,
        command=[*DRAFT, "--bar", "34", "--overwrite"],
        again=[*DRAFT, "--bar", "34", "--overwrite"],
    ),
    "flip": Case(prepare=_take, command=FLIP, again=[*FLIP, "--resume"]),
    "flip --overwrite": Case(
        prepare=_old_flip, command=[*FLIP, "--overwrite"], again=[*FLIP, "--overwrite"]
    ),
    "place --csv": Case(
        prepare=_plan,
        command=["place", "pack/plan.json", "--csv", "place.csv"],
        again=["place", "pack/plan.json", "--csv", "place.csv"],
    ),
}


def state() -> dict[str, str]:
    """Return the hash of every file here, hidden ones too."""
    return {
        str(path): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(Path().rglob("*"))
        if path.is_file()
    }


def in_child(work: Callable[[], int]) -> int:
    """Do something in a copy of this process; return its exit code."""
    child = os.fork()
    if child == 0:
        code = 70
        try:
            code = work()
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def killed_at(step: int, words: list[str]) -> int:
    """Run a command that is killed before its file operation of that number."""
    seen = 0

    def hook(event: str, arguments: tuple[object, ...]) -> None:
        nonlocal seen
        writes = event == "open" and isinstance(arguments[2], int) and arguments[2] & WRITES
        if event in STEPS or writes:
            seen += 1
            if seen == step:
                os._exit(KILLED)

    def work() -> int:
        sys.addaudithook(hook)
        return run(words)

    return in_child(work)


def _load(case: Case, place: Path) -> None:
    """Let this process import what the commands need, so that its copies need not."""
    place.mkdir(parents=True)
    os.chdir(place)
    case.prepare()
    run(case.command)
    run(case.again)


def kills(case: Case, folder: Path) -> list[dict[str, object]]:
    """Return what every kill left; the last entry is the run that no kill met.

    ``after`` is what the next run made of it, or None where none followed.
    """
    found: list[dict[str, object]] = []
    _load(case, folder / "first")
    prepared = folder / "prepared"
    prepared.mkdir()
    os.chdir(prepared)
    in_child(lambda: case.prepare() or 0)
    before = state()
    for step in range(1, MAX_KILLS):
        place = folder / str(step)
        shutil.copytree(prepared, place)
        os.chdir(place)
        code = killed_at(step, case.command)
        then = state()
        follows = code != KILLED or step % RUNS_AGAIN == 1
        if follows:
            in_child(lambda: run(case.again))
        after = state() if follows else None
        found.append({"code": code, "before": before, "then": then, "after": after})
        os.chdir(folder)
        shutil.rmtree(place)
        if code != KILLED:
            return found
    raise RuntimeError("no end of file operations")


if __name__ == "__main__":
    sys.stdout = sys.stderr
    os.fsync = lambda _: None
    result = kills(CASES[sys.argv[1]], Path(sys.argv[2]))
    Path(sys.argv[3]).write_text(json.dumps(result))

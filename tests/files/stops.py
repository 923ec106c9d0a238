"""Runs a command again and again and stops it one file operation later each time.

``python -m tests.files.stops CASE HOW FOLDER FILE`` writes as JSON, for every stop, what stood
there then and what stands there after the next run. Operations are counted by Python's audit
events, before each happens; nothing depends on time. HOW is how it is stopped: ``kill``; ``fault``,
where the disk refuses that one operation; ``full``, where from then on it refuses all that need
room. Flushing to the disk is left out: it is slow, and a killed process needs none.
"""

import errno
import json
import os
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.files.cases import CASES, Case, in_child, load, run, state

KILLED = 9
NOT_MET = 32
"""Added to the exit code of a run that ended before its stop."""

GROWS = {"os.rename", "os.link", "os.mkdir", "os.truncate"}
STEPS = GROWS | {"os.rmdir", "os.remove"}
WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT
MAX_STOPS = 2000
RUNS_AGAIN = 6
"""Of this many stops one is followed by the next run; the first and the last always are."""


@dataclass(slots=True)
class Stop:
    """Counts file operations and stops the run at one of them."""

    how: str
    step: int
    seen: int = 0
    counts: bool = False

    def start(self) -> None:
        """Count from here on."""
        self.counts = True

    def hook(self, event: str, arguments: tuple[object, ...]) -> None:
        """Look at one audit event."""
        opens = event == "open" and isinstance(arguments[2], int) and arguments[2] & WRITES
        if not (self.counts and (event in STEPS or opens)):
            return
        self.seen += 1
        is_refused = self.how == "full" and self.seen > self.step and (event in GROWS or opens)
        if self.seen != self.step and not is_refused:
            return
        if self.how == "kill":
            os._exit(KILLED)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(arguments[0]))


def stopped_at(step: int, how: str, work: Callable[[Callable[[], None]], int]) -> int:
    """Do something that is stopped before its file operation of that number."""
    stop = Stop(how, step)

    def child() -> int:
        sys.addaudithook(stop.hook)
        code = work(stop.start)
        return code if stop.seen >= step else code + NOT_MET

    return in_child(child)


def stops(case: Case, how: str, folder: Path) -> list[dict[str, object]]:
    """Return what every stop left; the last entry is the run that met none.

    ``after`` is what the next run made of it, or None where none followed.
    """
    found: list[dict[str, object]] = []
    load(case, folder / "first")
    prepared = folder / "prepared"
    prepared.mkdir()
    os.chdir(prepared)
    in_child(lambda: case.prepare() or 0)
    before = state()
    for step in range(1, MAX_STOPS):
        place = folder / str(step)
        shutil.copytree(prepared, place)
        os.chdir(place)
        code = stopped_at(step, how, case.run)
        is_met = code < NOT_MET
        then = state()
        follows = not is_met or step % RUNS_AGAIN == 1
        if follows:
            in_child(lambda: run(case.again))
        after = state() if follows else None
        found.append({"code": code, "before": before, "then": then, "after": after})
        os.chdir(folder)
        shutil.rmtree(place)
        if not is_met:
            return found
    raise RuntimeError("no end of file operations")


if __name__ == "__main__":
    sys.stdout = sys.stderr
    os.fsync = lambda _: None
    result = stops(CASES[sys.argv[1]], sys.argv[2], Path(sys.argv[3]))
    Path(sys.argv[4]).write_text(json.dumps(result))

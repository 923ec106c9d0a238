"""Runs a command under circumstances in which it must lose nothing.

``python -m tests.files.trials CASE FOLDER FILE`` writes as JSON what every trial of `TRIALS` gave:
for each run the exit code, what it said, and what stood there before and after.
"""

import json
import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from retro.files.safe_file import lock
from retro.files.staging import staging_path
from tests.example import TARGET
from tests.files.cases import (
    CASES,
    CHOOSE,
    DELIVER,
    FIND,
    FLIP,
    JUDGE,
    PREPARE,
    WATCH,
    Case,
    command_of,
    in_child,
    load,
    run,
    state,
    told,
    without_overwrite,
)

Run = dict[str, object]

NOBODY = 65_534
"""The uid that owns nothing (the kernel's overflow uid)."""

FILE_LIMITS = (0, 1, 100, 700, 2_000, 5_000, 20_000, 60_000, 10**9)
"""Bytes that no file may grow beyond: none of a command's files fits, some do, all do."""

FREE_PAGES = (0, 1, 2, 3, 5, 8, 13, 40, 120, 900)
PAGE = 4096
DISK_BYTES = 16 * 2**20

MINE = {
    # what a person has put where each command writes, by the command
    "build": {"pack/notes.txt": "mine", "pack/engineer/placement.csv": "changed"},
    "draft": {"swell.toml": '# mine\n[window]\nbars = "32-33"\n', "swell.txt": "mine"},
    "flip": {"out/notes.txt": "mine", "out/mic0_flipped.wav.bak": "mine"},
    "place": {"place.csv": "mine"},
    "probe": {"probe.mid": "mine"},
    "learn": {"sounds.toml": "# mine"},
    "day prepare": {"day/notes.txt": "mine", "day/print-list.csv": "changed"},
    "day find": {"takes.json": "mine"},
    "day judge": {"judged/notes.txt": "mine", "judged/takes.json": "changed"},
    "day choose": {"choice.json": "mine"},
    "day deliver": {"deliver/notes.txt": "mine"},
}
ONE_FILE = frozenset(["place", "probe", "learn", "day find", "day choose"])
"""Commands that write one file, and never over another."""


@dataclass(frozen=True, kw_only=True)
class Trial:
    """A case that stands prepared in a folder of its own."""

    name: str
    case: Case
    prepared: Path
    folder: Path

    @property
    def word(self) -> str:
        """What the command is called."""
        return command_of(self.name)

    @contextmanager
    def place(self) -> Iterator[None]:
        """Stand in a fresh copy of what was prepared."""
        shutil.copytree(self.prepared, self.folder, symlinks=True)
        os.chdir(self.folder)
        try:
            yield
        finally:
            os.chdir(self.folder.parent)
            shutil.rmtree(self.folder)

    def ran(self, words: list[str] | None = None, start: Callable[[], None] = lambda: None) -> Run:
        """Run the command, or another one, in a copy of this process."""
        before = state()
        heard, told_to = os.pipe()

        def work() -> int:
            code, text = told(words) if words else self.case.told(start)
            os.write(told_to, text.encode())
            return code

        code = in_child(work)
        os.close(told_to)
        with os.fdopen(heard, encoding="utf-8") as file:
            said = file.read()
        return {"code": code, "said": said, "before": before, "after": state()}


def taken(trial: Trial) -> list[Run]:
    """Somebody else's file or folder has the name of the output."""
    words = without_overwrite(trial.case.command)
    found = []
    for kind in ("file", "folder", "full folder"):
        with trial.place():
            output = _cleared(trial)
            if trial.word == "flip" and kind != "file":
                output /= "mic0_flipped.wav"
            output.parent.mkdir(exist_ok=True)
            if kind == "file":
                output.write_text("mine")
            else:
                output.mkdir()
            if kind == "full folder":
                (output / "notes.txt").write_text("mine")
            found.append(trial.ran(words))
    return found


def _cleared(trial: Trial) -> Path:
    """Return the output's place, where nothing is any more."""
    output = Path(trial.case.output)
    shutil.rmtree(output, ignore_errors=True)
    output.unlink(missing_ok=True)
    return output


def mine(trial: Trial) -> list[Run]:
    """A person's files stand in the output or beside it, and it is made again."""
    with trial.place():
        if trial.word == "flip":
            run(FLIP)
        elif trial.word == "build" and not Path("pack").is_dir():
            return []
        for path, text in MINE[trial.word].items():
            Path(path).write_text(text)
        return [trial.ran()]


def two_at_once(trial: Trial) -> list[Run]:
    """Another run holds the output."""
    with trial.place():
        output = Path(trial.case.output)
        held = output if trial.word == "flip" else staging_path(output)
        held.mkdir(exist_ok=True)
        handle = lock(held, output)
        assert handle is not None
        found = [trial.ran()]
        os.close(handle)
    return found


def inside(trial: Trial) -> list[Run]:
    """The output is an input, or holds it, or lies in it."""
    watch = ["--watch"] if "--watch" in trial.name else []
    build = ["build", "in/song.mid", *WATCH[2:], *watch, "--out"]
    song = ["--players", "flute", "--pitches", "C5", "--song", "in/song.mid", "--bar", "34"]
    take = [*FLIP[2:], "--overwrite", "--out", "in"]
    commands = {
        "build": [[*build, out] for out in ("in", "in/song.mid", "in/song.mid/pack", ".")],
        "draft": [
            ["draft", out, *song, "--overwrite"] for out in ("in/song.mid", "in/song.mid/swell.mid")
        ],
        "flip": [
            ["flip", "in", *take],
            ["flip", "in/mic0.wav", *take, "--names", "{stem}{suffix}"],
        ],
        "place": [["place", "in/plan.json", "--csv", "in/plan.json"]],
        "probe": [["probe", "in/song.mid", "--bars", "22-22", "--out", "in/song.mid"]],
        "learn": [
            ["learn", "in/bounce.wav", "--probe", "in/probe.mid", "--out", out]
            for out in ("in/bounce.wav", "in/probe.mid")
        ],
    }
    inputs = {
        # what else is an input of a day's commands, beside their day.toml and the pack
        "day prepare": (PREPARE, ()),
        "day find": (FIND, ("reel.wav",)),
        "day judge": (JUDGE, ("takes.json",)),
        "day choose": (CHOOSE, ("takes.json",)),
        "day deliver": (DELIVER, ("clips",)),
    }
    if trial.word in inputs:
        words, further = inputs[trial.word]
        return [_within(trial, words, out) for out in (".", "day.toml", "pack", *further)]
    found = []
    for words in commands[trial.word]:
        with trial.place():
            Path("in").mkdir()
            if trial.word == "flip":
                shutil.copy("take/mic0.wav", "in")
            elif trial.word == "place":
                shutil.copy("pack/plan.json", "in")
            elif trial.word == "learn":
                shutil.copy("bounce.wav", "in")
                shutil.copy("probe.mid", "in")
            else:
                shutil.copy(TARGET, "in/song.mid")
            found.append(trial.ran(words))
    return found


def _within(trial: Trial, words: list[str], out: str) -> Run:
    """Run a command of a day with another output."""
    at = words.index("--out") + 1
    with trial.place():
        return trial.ran([*words[:at], out, *words[at + 1 :], *_overwriting(trial)])


def _overwriting(trial: Trial) -> list[str]:
    return [] if trial.word in ONE_FILE else ["--overwrite"]


def link(trial: Trial) -> list[Run]:
    """The output is a link to what belongs to somebody else, or to nothing."""
    words = [*without_overwrite(trial.case.command), *_overwriting(trial)]
    found = []
    for kind in ("file", "folder", "nothing"):
        with trial.place():
            output = _cleared(trial)
            if trial.word == "flip":
                output /= "mic0_flipped.wav"
                output.parent.mkdir()
            theirs = Path("theirs").absolute()
            if kind == "file":
                theirs.write_text("theirs")
            elif kind == "folder":
                (theirs / "engineer").mkdir(parents=True)
                (theirs / "pack.json").write_text('{"schema":"retro-pack/1","version":"1"}')
                (theirs / "engineer" / "click.mid").write_text("theirs")
            output.symlink_to(theirs)
            found.append(trial.ran(words))
    return found


def read_only(trial: Trial) -> list[Run]:
    """The place belongs to somebody else, who lets nobody write."""
    with trial.place():

        def start() -> None:
            for folder, _, _ in os.walk("."):
                Path(folder).chmod(0o555)
            if os.geteuid() == 0:
                os.setgid(NOBODY)
                os.setuid(NOBODY)

        found = [trial.ran(start=start)]
        for folder, _, _ in os.walk("."):
            Path(folder).chmod(0o755)
    return found


def small_files(trial: Trial) -> list[Run]:
    """The system lets no file grow beyond a limit, as a full disk does not."""
    found = []
    for limit in FILE_LIMITS:
        with trial.place():

            def start(limit: int = limit) -> None:
                resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

            found.append(trial.ran(start=start))
    return found


def full_disk(trial: Trial) -> list[Run]:
    """A disk of its own that has a few pages left; empty where no disk may be mounted."""
    found: list[Run] = []
    for pages in FREE_PAGES:
        trial.folder.mkdir()
        mount = ["mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "none", str(trial.folder)]
        try:
            is_mounted = subprocess.run(mount, check=False, capture_output=True).returncode == 0
        except FileNotFoundError:
            is_mounted = False
        if not is_mounted:
            trial.folder.rmdir()
            return []
        try:
            shutil.copytree(trial.prepared, trial.folder / "here", symlinks=True)
            os.chdir(trial.folder / "here")
            found.append(trial.ran(start=lambda pages=pages: _fill_but(pages)))
        finally:
            os.chdir(trial.folder.parent)
            subprocess.run(["umount", str(trial.folder)], check=True)
            trial.folder.rmdir()
    return found


def _fill_but(pages: int) -> None:
    free = shutil.disk_usage("..").free - pages * PAGE
    with Path("../filler").open("wb") as file:
        file.write(bytes(max(free, 0)))


TRIALS = (taken, mine, two_at_once, inside, link, read_only, small_files, full_disk)


def trials(name: str, folder: Path) -> dict[str, list[Run]]:
    """Return what every trial of a case gave."""
    case = CASES[name]
    load(case, folder / "first")
    prepared = folder / "prepared"
    prepared.mkdir()
    os.chdir(prepared)
    in_child(lambda: case.prepare() or 0)
    trial = Trial(name=name, case=case, prepared=prepared, folder=folder / "here")
    return {one.__name__: one(trial) for one in TRIALS}


if __name__ == "__main__":
    sys.stdout = sys.stderr
    place = Path(sys.argv[2])
    place.parent.chmod(0o755)  # a run as somebody else must reach it
    Path(sys.argv[3]).write_text(json.dumps(trials(sys.argv[1], place)))

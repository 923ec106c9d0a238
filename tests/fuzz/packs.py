"""Builds whole packs, engraved, of targets and settings of every shape, and counts what came of it.

    python -m tests.fuzz.packs SECONDS [SEED [COUNT]]

Each pack is built in a process of its own, so that a crash of a library, endless work and a lack of
memory are counted as well. Ends with 1 if one broke: any fault that is no refusal in one line, more
than `MAX_TAKEN_S` of work, or anything left beside the pack. The seed of each is told.
"""

import importlib
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from retro.cli.refusing import refuse
from retro.errors import RetroError
from retro.files.hashes import file_sha256
from retro.pack.manifest import MANIFEST_NAME, read_pack_manifest
from retro.pack.write import write_pack
from retro.plan.compose import plan_file
from retro.read.settings import load_settings
from tests.fuzz.mutate import damaged
from tests.fuzz.targets import midi_target, settings_text, xml_target
from tests.read.hexfile import fixtures, load

EXAMPLES = Path(__file__).parents[2] / "examples"
MAX_TAKEN_S, MAX_WAITED_S = 60, 600
MAX_BYTES = 4 * 2**30
USED, REFUSED, BROKE = 0, 1, 2


@dataclass
class Tally:
    """What became of the packs of one kind."""

    counts: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0
    faults: list[str] = field(default_factory=list)


def _any_target(chance: random.Random) -> tuple[str, bytes]:
    return ("song.mid", midi_target(chance)) if chance.random() < 0.6 else _score(chance)


def _score(chance: random.Random) -> tuple[str, bytes]:
    return "song.musicxml", xml_target(chance)


def _good_file(chance: random.Random) -> tuple[str, bytes]:
    paths = [*fixtures("valid"), *sorted((EXAMPLES / "studies").rglob("*.mid"))]
    path = chance.choice(paths)
    return "song.mid", load(path) if path.suffix == ".hex" else path.read_bytes()


def _damaged(chance: random.Random) -> tuple[str, bytes, str]:
    """Return a whole target and settings of which one is damaged."""
    name, data = _good_file(chance) if chance.random() < 0.5 else _any_target(chance)
    settings = settings_text(chance)
    if chance.random() < 0.2:
        settings = damaged(settings.encode(), chance).decode("latin-1")
    else:
        data = damaged(data, chance)
    return name, data, settings


for heavy in ("retro.pack.copyist", "retro.sheet.page", "retro.sheet.sound", "typst", "verovio"):
    importlib.import_module(heavy)  # once here, and not in every copy

KINDS: dict[str, Callable[[random.Random], tuple[str, bytes, str]]] = {
    "MIDI targets": lambda chance: ("song.mid", midi_target(chance), ""),
    "MusicXML targets": lambda chance: (*_score(chance), ""),
    "settings": lambda chance: (*_any_target(chance), settings_text(chance)),
    "damaged files": _damaged,
}


def build(kind: str, seed: int, folder: Path) -> None:
    """Build the pack of a seed; its target and settings stand beside it.

    Raises
    ------
    RetroError
        If it is refused.
    AssertionError
        If the pack is not as its manifest says.
    """
    name, data, settings = KINDS[kind](random.Random(f"{kind} {seed}"))
    target, chosen, out = folder / name, folder / "song.toml", folder / "pack"
    target.write_bytes(data)
    chosen.write_text(settings, encoding="utf-8")
    flags: dict[str, object] = {}
    if "[window]" not in settings:
        flags["bars"] = random.Random(seed).choice(("1", "2", "1-2", "2-4"))
    plan = plan_file(target, load_settings(chosen, flags))
    write_pack(plan, out, inputs=[target, chosen])
    listed = read_pack_manifest(out).files
    assert {path.name for path in folder.iterdir()} == {name, "song.toml", "pack"}
    assert {entry.path for entry in listed} | {MANIFEST_NAME} == {
        path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()
    }
    assert all(file_sha256(out / entry.path) == entry.sha256 for entry in listed)


def in_child(work: Callable[[], int]) -> tuple[int, float]:
    """Do something in a copy of this process; return its exit code and seconds of work."""
    child = os.fork()
    if child == 0:
        code = BROKE
        try:
            resource.setrlimit(resource.RLIMIT_AS, (MAX_BYTES, MAX_BYTES))
            resource.setrlimit(resource.RLIMIT_CPU, (MAX_TAKEN_S, MAX_TAKEN_S + 1))
            signal.signal(signal.SIGXCPU, signal.SIG_DFL)
            signal.alarm(MAX_WAITED_S)
            code = work()
        finally:
            os._exit(code)
    _, status, usage = os.wait4(child, 0)
    return os.waitstatus_to_exitcode(status), usage.ru_utime + usage.ru_stime


def try_once(kind: str, seed: int, folder: Path) -> int:
    """Build in this process; say on standard error what went wrong, and return a code."""
    try:
        build(kind, seed, folder)
    except RetroError as refusal:
        line = str(refusal)
        assert line.isprintable(), line
        refuse(refusal)
        return REFUSED
    except Exception:
        traceback.print_exc()
        return BROKE
    return USED


def run(
    kind: str,
    seeds: range,
    seconds: float,
    told: Callable[[str], object] = lambda _: None,
) -> Tally:
    """Build packs until the seeds or the time are over."""
    tally = Tally()
    end = time.monotonic() + seconds
    for seed in seeds:
        if time.monotonic() > end:
            break
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            said = folder / "said"

            def work(seed: int = seed, folder: Path = folder, said: Path = said) -> int:
                home = folder / "home"
                home.mkdir()
                os.dup2(os.open(said, os.O_WRONLY | os.O_CREAT), 2)
                code = try_once(kind, seed, home)
                shutil.rmtree(home)
                return code

            code, took_s = in_child(work)
            tally.slowest_s = max(tally.slowest_s, took_s)
            outcome = {USED: "built", REFUSED: "refused"}.get(code, "broke")
            tally.counts[outcome] += 1
            if outcome == "broke":
                text = said.read_text(errors="replace") if said.exists() else ""
                tally.faults.append(f"{kind}, seed {seed}, code {code}: {text}")
                told(tally.faults[-1])
    return tally


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main(seconds: float, first: int = 0, count: int = 10**9) -> int:
    """Run every kind for its share of the time; report."""
    broke = 0
    for kind in KINDS:
        seeds = range(first, first + count)
        tally = run(kind, seeds, seconds / len(KINDS), told=_say)
        counts = ", ".join(f"{tally.counts[key]} {key}" for key in ("built", "refused", "broke"))
        _say(f"{kind}: {counts}; slowest {tally.slowest_s:.1f} s")
        broke += tally.counts["broke"]
    return 1 if broke else 0


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]), *map(int, sys.argv[2:])))

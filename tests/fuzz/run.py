"""Reads damaged files for a while and counts what became of them.

    python -m tests.fuzz.run SECONDS [SEED]

Ends with 1 if any file brought a traceback, took longer than `MAX_S`, or had something written
outside of its folder. The process may not take more than `MAX_BYTES` of memory.
"""

import random
import resource
import shutil
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from retro.errors import RetroError
from tests.fuzz.kinds import Kind, kinds
from tests.fuzz.mutate import damaged

MAX_S = 10.0
MAX_BYTES = 4 * 2**30


@dataclass
class Tally:
    """What became of the files of one kind."""

    counts: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0
    faults: list[str] = field(default_factory=list)


def try_once(kind: Kind, seed: int, folder: Path) -> tuple[str, str]:
    """Use one damaged file; give `used`, `refused` or `broke`, and a line."""
    chance = random.Random(seed)
    data = damaged(chance.choice(kind.seeds), chance)
    home = folder / "home"
    home.mkdir()
    try:
        kind.use(data, home)
    except RetroError as refusal:
        line = str(refusal)
        outcome = ("refused", line) if line and "\n" not in line else ("broke", line)
    except OSError as fault:
        # The command line turns the disk's refusals into one line too.
        outcome = ("refused", f"{fault}")
    except Exception:
        outcome = ("broke", traceback.format_exc())
    else:
        outcome = ("used", "")
    shutil.rmtree(home)
    if any(folder.iterdir()):
        outcome = ("broke", f"something was written to {sorted(folder.iterdir())}")
    return outcome


def run(kind: Kind, seeds: range, seconds: float) -> Tally:
    """Use damaged files until the seeds or the time are over."""
    tally = Tally()
    end = time.monotonic() + seconds
    with tempfile.TemporaryDirectory() as folder:
        for seed in seeds:
            if time.monotonic() > end:
                break
            before = time.process_time()
            outcome, line = try_once(kind, seed, Path(folder))
            took_s = time.process_time() - before
            tally.slowest_s = max(tally.slowest_s, took_s)
            if took_s > MAX_S:
                outcome, line = "broke", f"took {took_s:.1f} s"
            tally.counts[outcome] += 1
            if outcome == "broke":
                tally.faults.append(f"seed {seed}: {line}")
    return tally


def main(seconds: float, first: int = 0) -> int:
    warnings.simplefilter("error")
    resource.setrlimit(resource.RLIMIT_AS, (MAX_BYTES, MAX_BYTES))
    every = kinds()
    broke = 0
    for kind in every:
        tally = run(kind, range(first, first + 10**9), seconds / len(every))
        said = ", ".join(f"{tally.counts[key]} {key}" for key in ("used", "refused", "broke"))
        sys.stdout.write(f"{kind.name}: {said}; slowest {tally.slowest_s:.2f} s\n")
        for fault in tally.faults[:5]:
            sys.stdout.write(f"    {fault}\n")
        sys.stdout.flush()
        broke += tally.counts["broke"]
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    sys.stdout.write(f"peak memory {peak_mb:.0f} MB\n")
    return 1 if broke else 0


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]), *map(int, sys.argv[2:])))

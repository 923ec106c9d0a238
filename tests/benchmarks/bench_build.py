"""Processor time of building the example, whole and by stage.

Run: ``python -m tests.benchmarks.bench_build``. The whole is that of ``python -m retro build`` in a
process of its own, imports included, best of three. The stages are those that the build speaks of,
in this process after a first build, so without imports.
"""

import os
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

from retro.pack.write import write_pack
from retro.plan.compose import plan_file
from retro.read.settings import beside, load_settings

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "examples" / "harbour_pageant.mid"
RUNS = 3


def of_command(*arguments: str) -> float:
    """Best seconds of processor that a command takes, with all its threads."""
    runs = []
    for _ in range(RUNS):
        before = os.times()
        subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
        after = os.times()
        runs.append(
            after.children_user
            + after.children_system
            - before.children_user
            - before.children_system
        )
    return min(runs)


def stages(folder: Path) -> dict[str, float]:
    """Seconds of processor by stage."""
    spent: dict[str, float] = defaultdict(float)
    stage, since = "reading and planning", time.process_time()

    def next_stage(words: str) -> None:
        nonlocal stage, since
        spent[stage] += time.process_time() - since
        stage = "engraving pages" if words.startswith("engraving") else words
        since = time.process_time()

    plan = plan_file(EXAMPLE, load_settings(beside(EXAMPLE), {}))
    next_stage("plan.json")
    write_pack(plan, folder / "pack", overwrite=True, progress=next_stage)
    next_stage("")
    return spent


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        build = ("-m", "retro", "build", str(EXAMPLE), "--quiet", "--overwrite", "--out")
        bare = of_command("-c", "pass")
        print(f"python alone: {bare:.2f} s of processor")
        print(f"retro --help: {of_command('-m', 'retro', '--help') - bare:.2f} s beyond python's")
        print(f"whole build: {of_command(*build, str(folder / 'pack')):.2f} s of processor")
        for section in ("engineer", "arranger", "copyist", "sheet"):
            only = of_command(*build, str(folder / "pack"), "--only", section)
            print(f"  --only {section}: {only:.2f} s")
        stages(folder)
        for stage, seconds in stages(folder).items():
            print(f"  {stage}: {seconds:.2f} s")


if __name__ == "__main__":
    main()

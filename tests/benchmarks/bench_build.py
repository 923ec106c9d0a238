"""Processor time of building the example, whole and by stage.

Run: ``python -m tests.benchmarks.bench_build``. The whole is that of ``python -m retro build`` in a
process of its own, imports included, best of five; modules are compiled before, as they are where
retro is installed. The load of the machine is printed, since processors that share a core count
more seconds for the same work. The stages are those that the build speaks of, in this process after
a first build, so without imports.
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
RUNS = 5


def of_command(compiled: Path, *arguments: str) -> float:
    """Best seconds of processor that a command takes, with all its threads.

    `compiled` is a folder for compiled modules.
    """
    environment = {**os.environ, "PYTHONPYCACHEPREFIX": str(compiled)}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    runs = []
    for _ in range(RUNS):
        before = os.times()
        command = [sys.executable, *arguments]
        subprocess.run(command, check=True, capture_output=True, env=environment)
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
        compiled = folder / "compiled"
        bare = of_command(compiled, "-c", "pass")
        print(f"load average: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
        print(f"python alone: {bare:.2f} s of processor")
        told = of_command(compiled, "-m", "retro", "--help")
        print(f"retro --help: {told - bare:.2f} s beyond python's")
        whole = of_command(compiled, *build, str(folder / "pack"))
        print(f"whole build: {whole:.2f} s of processor")
        for section in ("engineer", "arranger", "copyist", "sheet"):
            only = of_command(compiled, *build, str(folder / "pack"), "--only", section)
            print(f"  --only {section}: {only:.2f} s")
        stages(folder)
        for stage, seconds in stages(folder).items():
            print(f"  {stage}: {seconds:.2f} s")


if __name__ == "__main__":
    main()

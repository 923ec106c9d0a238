"""Speed of flipping a take as a ratio to copying its files, side by side in one run.

Run: ``python -m tests.benchmarks.bench_flip [FOLDER]``. Twenty 24-bit files of 15 MB are copied and
flipped in turns, best of five. A flip flushes every file to the disk before it gets its name, and
hashes sources and outputs; the copy that it is measured against is flushed as well. The ratio to a
copy that is left in memory is printed too: it says more about the disk than about either. The load
of the machine is printed since a flip computes while a copy waits for the disk. Peak memory is that
of a flip in a process of its own.
"""

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

from retro.takes.common_range import open_take
from retro.takes.flip import flip_take

FILES, MEGABYTES, RATE, RUNS = 20, 15, 48_000, 5
LIMIT = 1.2


def spent(work: Callable[[], object], out: Path) -> float:
    """Seconds of one run into an empty folder; what was there before has reached the disk."""
    os.sync()
    start = time.perf_counter()
    work()
    seconds = time.perf_counter() - start
    shutil.rmtree(out)
    return seconds


def copy(sources: list[Path], out: Path, *, flushes: bool) -> None:
    out.mkdir()
    for source in sources:
        target = shutil.copyfile(source, out / source.name)
        if flushes:
            with target.open("rb+") as file:
                os.fsync(file.fileno())


def flip(sources: list[Path], out: Path) -> None:
    take = open_take(sources)
    flip_take(take, out, start_frame=take.common.start, end_frame=take.common.end)


def make_take(folder: Path) -> list[Path]:
    noise = np.random.default_rng(1).integers(-(2**31), 2**31, (MEGABYTES << 20) // 3, np.int32)
    paths = [folder / f"{number:02}.wav" for number in range(FILES)]
    for path in paths:
        soundfile.write(path, noise, RATE, "PCM_24")
    return paths


def peak_megabytes(sources: list[Path], out: Path) -> float:
    command = [sys.executable, "-m", "retro", "flip", *map(str, sources), "--out", str(out)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    shutil.rmtree(out)
    return resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024


def main() -> None:
    parent = sys.argv[1] if len(sys.argv) > 1 else None
    with tempfile.TemporaryDirectory(dir=parent) as scratch:
        folder = Path(scratch)
        sources, out = make_take(folder), folder / "out"
        works = {
            "copy, flushed": lambda: copy(sources, out, flushes=True),
            "copy in memory": lambda: copy(sources, out, flushes=False),
            "flip": lambda: flip(sources, out),
        }
        runs = [{name: spent(work, out) for name, work in works.items()} for _ in range(RUNS)]
        best = {name: min(run[name] for run in runs) for name in works}
        for name, seconds in best.items():
            speed = FILES * MEGABYTES / seconds
            print(f"{name:<15} {seconds:6.2f} s  {speed:6.0f} MB/s")
        ratio = best["flip"] / best["copy, flushed"]
        print(f"load average: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
        print(f"flip to flushed copy: {ratio:.2f} (at most {LIMIT})")
        print(f"flip to copy in memory: {best['flip'] / best['copy in memory']:.2f}")
        print(f"peak memory: {peak_megabytes(sources, out):.0f} MB (at most 200)")
    sys.exit(ratio > LIMIT)


if __name__ == "__main__":
    main()

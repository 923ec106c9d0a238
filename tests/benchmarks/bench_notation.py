"""Speed of MIDI to written MusicXML as a ratio to music21's own MIDI-to-MusicXML, same file.

Run: ``python -m tests.benchmarks.bench_notation``. music21 quantises and writes one score. retro
mirrors, compensates, brings to a grid, spells, deals chords, finds dynamics and release marks, and
writes the score and every part. Best of three in processor time, imports left out of both.
"""

import time
import warnings
from collections.abc import Callable
from dataclasses import replace
from importlib import resources
from pathlib import Path

from music21 import converter
from music21.musicxml.m21ToXml import GeneralObjectExporter

from retro.model.settings import Settings
from retro.pack.copyist import copy_out
from retro.plan.compose import plan_file

EXAMPLES = Path(__file__).parents[2] / "examples"
RUNS = 3


def spent(work: Callable[[], object]) -> float:
    """Best seconds of processor."""
    runs = []
    for _ in range(RUNS):
        before = time.process_time()
        work()
        runs.append(time.process_time() - before)
    return min(runs)


def ours(path: Path) -> int:
    """Write a whole file; give the bytes of MusicXML."""
    xml = copy_out(plan_file(path, replace(Settings(), count_in_bars=0))).xml
    return len(xml.score) + sum(map(len, xml.parts))


def theirs(path: Path) -> int:
    """Write a whole file with music21; give the bytes of MusicXML."""
    return len(GeneralObjectExporter(converter.parse(path, forceSource=True)).parse())


def main() -> None:
    warnings.simplefilter("ignore")  # music21 warns of what it cannot place
    mozart = Path(str(resources.files("music21") / "midi")).parent / "omr" / "k525MIDIMvt1.mid"
    for path in (EXAMPLES / "harbour_pageant.mid", EXAMPLES / "studies" / "tutti.mid", mozart):
        own, other = spent(lambda path=path: ours(path)), spent(lambda path=path: theirs(path))
        print(
            f"{path.name}: {own:.2f} s against {other:.2f} s; faster by {other / own:.1f}; "
            f"{ours(path) / 1e6:.1f} MB against {theirs(path) / 1e6:.1f} MB of MusicXML"
        )


if __name__ == "__main__":
    main()

"""How long a large score takes to read and to write back, and how much memory.

python -m tests.benchmarks.bench_scores
"""

import resource
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from retro.model.settings import Settings
from retro.musicxml.heading import Heading
from retro.pack.main_score import into_score
from retro.plan.compose import plan_song
from retro.read.target import read_song

STAVES = 40
EIGHTHS = 8
MIB = 2**10


def large_score(bars: int) -> bytes:
    """Return a score of eighth notes on every stave."""
    entries = "".join(
        f'<score-part id="P{k}"><part-name>Violins {k}</part-name></score-part>'
        for k in range(STAVES)
    )
    notes = "".join(
        f"<note><pitch><step>{'CDEFGABC'[k]}</step><octave>4</octave></pitch>"
        "<duration>1</duration><voice>1</voice><type>eighth</type></note>"
        for k in range(EIGHTHS)
    )
    first = "<attributes><divisions>2</divisions></attributes>"
    measures = "".join(
        f'<measure number="{n}">{first if n == 1 else ""}{notes}</measure>'
        for n in range(1, bars + 1)
    )
    parts = "".join(f'<part id="P{k}">{measures}</part>' for k in range(STAVES))
    return (
        f'<score-partwise version="4.0"><part-list>{entries}</part-list>{parts}</score-partwise>'
    ).encode()


def main() -> None:
    for bars in (125, 250, 500):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "large.musicxml"
            path.write_bytes(large_score(bars))
            begun = time.process_time()
            song = read_song(path)
            read = time.process_time()
            plan = plan_song(song, replace(Settings(), bars="41-42"))
            planned = time.process_time()
            heading = Heading(song="Large", letter="A", bars="bars 41–42")
            into_score(plan, path, heading)
            done = time.process_time()
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / MIB
        print(
            f"{bars} bars of {STAVES} staves: read {read - begun:.1f} s, planned "
            f"{planned - read:.1f} s, put back {done - planned:.1f} s, peak {peak:.0f} MiB"
        )


if __name__ == "__main__":
    main()

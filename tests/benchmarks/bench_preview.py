"""Speed of the preview as a ratio to an independent sine synthesis of the same notes.

Run: ``python -m tests.benchmarks.bench_preview``. pretty_midi renders one sine a note, in mono and
without a room; the preview renders the target and the played sound in stereo, with partials, tails
of a 1.6 s room, loudness and true peak. Both are timed in one run, best of three, in processor
time and on the clock. The last line is how processor time grows with the number of notes.
"""

import time
import warnings
from collections.abc import Callable
from pathlib import Path

import pretty_midi

from retro.model.instruments import Family
from retro.model.performance import Performance
from retro.plan.compose import plan_file
from retro.read.settings import beside, load_settings
from retro.render.preview import render_preview
from tests.render.performances import chords, played

EXAMPLE = Path(__file__).parents[2] / "examples" / "harbour_pageant.mid"
RUNS = 3


def spent(work: Callable[[], object]) -> tuple[float, float]:
    """Best seconds of processor and of clock."""
    runs = []
    for _ in range(RUNS):
        clock, processor = time.perf_counter(), time.process_time()
        work()
        runs.append((time.process_time() - processor, time.perf_counter() - clock))
    return min(run[0] for run in runs), min(run[1] for run in runs)


def as_midi(performance: Performance) -> pretty_midi.PrettyMIDI:
    midi = pretty_midi.PrettyMIDI()
    for part in range(len(performance.players)):
        instrument = pretty_midi.Instrument(program=0)
        for note in performance.notes:
            if note.part == part:
                start_s = max(note.played_on_s, 0.0)
                instrument.notes.append(
                    pretty_midi.Note(
                        note.target.velocity, note.target.pitch, start_s, note.played_off_s
                    )
                )
        midi.instruments.append(instrument)
    return midi


def compare(name: str, performance: Performance) -> float:
    """Print how one performance fares; give our seconds of processor."""
    midi, rate = as_midi(performance), performance.settings.rate
    ours = spent(lambda: render_preview(performance))
    theirs = spent(lambda: midi.synthesize(fs=rate))
    print(
        f"{name}, {len(performance.notes)} notes: preview {ours[0]:.2f} s of processor, sine "
        f"synthesis {theirs[0]:.2f} s; faster by {theirs[0] / ours[0]:.1f} in processor time, "
        f"{theirs[1] / ours[1]:.1f} on the clock"
    )
    return ours[0]


def main() -> None:
    warnings.simplefilter("error")
    settings = load_settings(beside(EXAMPLE), {})
    compare(EXAMPLE.name, plan_file(EXAMPLE, settings).performance)
    for bars in (3, 32):
        compare("short notes", played(chords(parts=8, bars=bars), family=Family.STRINGS))
    costs = []
    for parts, bars in ((1, 3), (8, 3), (8, 32), (8, 313)):
        performance = played(chords(parts=parts, bars=bars), family=Family.STRINGS)
        cost, _ = spent(lambda performance=performance: render_preview(performance))
        costs.append(f"{len(performance.notes)} notes {1000.0 * cost:.0f} ms")
    print("; ".join(costs))


if __name__ == "__main__":
    main()

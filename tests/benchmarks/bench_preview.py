"""Speed of the preview as a ratio to an independent sine synthesis of the same notes.

Run: ``python -m tests.benchmarks.bench_preview``. pretty_midi renders one sine a note, in mono and
without a room; the preview renders the target and the played sound in stereo, with partials, tails
of a 1.6 s room and loudness. Both are timed in one run, best of three, in processor time and on
the clock.
"""

import time
import warnings
from collections.abc import Callable

import pretty_midi

from retro.model.instruments import Family
from retro.model.performance import Performance
from retro.render.preview import render_preview
from tests.render.performances import chords, played

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


def main() -> None:
    warnings.simplefilter("error")
    for bars in (8, 16, 32):
        performance = played(chords(parts=8, bars=bars), family=Family.STRINGS)
        midi = as_midi(performance)
        ours = spent(lambda performance=performance: render_preview(performance))
        theirs = spent(lambda midi=midi, rate=performance.settings.rate: midi.synthesize(fs=rate))
        print(
            f"{len(performance.notes):5d} notes: preview {ours[1]:.2f} s, sine synthesis "
            f"{theirs[1]:.2f} s; faster by {theirs[1] / ours[1]:.1f} on the clock, "
            f"{theirs[0] / ours[0]:.1f} in processor time"
        )


if __name__ == "__main__":
    main()

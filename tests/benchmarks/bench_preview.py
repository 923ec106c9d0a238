"""Speed of the preview as a ratio to an independent sine synthesis of the same notes.

Run: ``python -m tests.benchmarks.bench_preview``. pretty_midi renders one sine a note, in mono and
without a room; the preview renders the target and the played sound in stereo, with partials, tails
of a 1.6 s room, loudness and true peak. The line below each, like for like, is what the preview
needs for the very sines that pretty_midi renders: one partial, no room, no target, no loudness. So
the first ratio is that of the whole, the second that of the synthesis. Seconds of tone are those of
all notes, tails and both sounds included. Both sides are timed in turns in one run, best of five,
in processor time and on the clock. The last line is how processor time grows with the number of
notes.
"""

import time
import warnings
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pretty_midi

from retro.model.instruments import Family
from retro.model.levels import Clock, Levels
from retro.model.performance import Performance
from retro.model.tones import Tones
from retro.plan.compose import plan_file
from retro.read.settings import beside, load_settings
from retro.render.envelope import Envelopes
from retro.render.mix import PartSound, SoundingNotes, Timeline, mix
from retro.render.preview import DRY, played_tones, render_preview, target_tones
from retro.units import seconds_to_samples
from tests.render.performances import chords, played

EXAMPLE = Path(__file__).parents[2] / "examples" / "harbour_pageant.mid"
RUNS = 5
FADE_S = 0.02
"""60 dB decay of the sines that stand beside pretty_midi's: nearly none."""


def spent(*works: Callable[[], object]) -> list[tuple[float, float]]:
    """Best seconds of processor and of clock of each, timed in turns."""
    runs: list[list[tuple[float, float]]] = [[] for _ in works]
    for _ in range(RUNS):
        for own, work in zip(runs, works, strict=True):
            clock, processor = time.perf_counter(), time.process_time()
            work()
            own.append((time.process_time() - processor, time.perf_counter() - clock))
    return [(min(run[0] for run in own), min(run[1] for run in own)) for own in runs]


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


def as_sines(performance: Performance) -> tuple[SoundingNotes, Timeline]:
    """Return the notes as pretty_midi has them: one sine each, from its start to its end."""
    notes, phrase = performance.notes, performance.insert
    start_s = np.array([max(note.played_on_s, 0.0) for note in notes])
    stop_s = np.array([note.played_off_s for note in notes])
    tones = replace(
        Tones.of(performance),
        start_s=start_s,
        stop_s=stop_s,
        attack_s=np.zeros(len(notes)),
        decay_s=np.full(len(notes), FADE_S),
        is_struck=np.zeros(len(notes), dtype=bool),
        levels=Levels(()),
        room=DRY,
    )
    envelopes = Envelopes.of(tones, are_struck=False)
    voices = [
        PartSound.of(
            replace(player, instrument=replace(player.instrument, family=Family.NEUTRAL)),
            replace(part, controllers=(), bend=None),
            Clock.of(phrase.tempo),
            np.zeros(2),
        )
        for player, part in zip(performance.players, phrase.parts, strict=True)
    ]
    sung = SoundingNotes(
        voices=tuple(voices),
        pitch=np.array([note.target.pitch for note in notes]),
        velocity=np.array([note.target.velocity for note in notes]),
        wander=np.zeros(len(notes), dtype=np.int64),
        envelopes=envelopes,
    )
    rate = performance.settings.rate
    frames = seconds_to_samples(float(envelopes.end_s.max()), rate)
    return sung, Timeline(rate=rate, before=0, frames=frames)


def tone_s(kinds: Sequence[SoundingNotes]) -> float:
    """Seconds of tone, of all notes."""
    return float(sum(np.sum(kind.envelopes.end_s - kind.envelopes.begin_s) for kind in kinds))


def compare(name: str, performance: Performance) -> None:
    """Print how one performance fares."""
    midi, rate = as_midi(performance), performance.settings.rate
    sines, place = as_sines(performance)
    ours, like, theirs = spent(
        lambda: render_preview(performance),
        lambda: mix([sines], place, performance.settings.seed),
        lambda: midi.synthesize(fs=rate),
    )
    rendered_s = tone_s(played_tones(performance)) + tone_s(target_tones(performance))
    midi_s = sum(note.end - note.start for part in midi.instruments for note in part.notes)
    print(
        f"{name}, {len(performance.notes)} notes: preview {ours[0]:.2f} s of processor for "
        f"{rendered_s:.0f} s of tone, sine synthesis {theirs[0]:.2f} s for {midi_s:.0f} s; faster "
        f"by {theirs[0] / ours[0]:.1f} in processor time, {theirs[1] / ours[1]:.1f} on the clock"
    )
    print(
        f"  like for like, one sine a note, no room, no loudness: {like[0]:.3f} s of processor for "
        f"{tone_s([sines]):.0f} s of tone; faster by {theirs[0] / like[0]:.1f} in processor time, "
        f"{theirs[1] / like[1]:.1f} on the clock"
    )


def main() -> None:
    warnings.simplefilter("error")
    settings = load_settings(beside(EXAMPLE), {})
    compare(EXAMPLE.name, plan_file(EXAMPLE, settings).performance)
    for bars in (3, 32):
        compare("short notes", played(chords(parts=8, bars=bars), family=Family.STRINGS))
    costs = []
    for parts, bars in ((1, 3), (8, 3), (8, 32), (8, 313)):
        performance = played(chords(parts=parts, bars=bars), family=Family.STRINGS)
        ((cost, _),) = spent(lambda performance=performance: render_preview(performance))
        costs.append(f"{len(performance.notes)} notes {1000.0 * cost:.0f} ms")
    print("; ".join(costs))


if __name__ == "__main__":
    main()

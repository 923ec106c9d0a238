"""How the cost grows: with the notes, with the players, and with the length of a take.

Run: ``python -m tests.benchmarks.bench_growth [notes] [players] [takes] [--long]``; without a word
all three. Every row is worked out once, in a process of its own, and gives processor time, that
time a note or a second of take (level where the cost is linear), and the most memory that the
process held until then, imports included. The songs are invented lines of quarter and eighth notes.
Flipped takes are noise, measured ones are plain tones of an insert as long as the take; their
files stand in a temporary folder, at the most 3 GB with `--long`, which adds what takes minutes.
How the preview grows is what `bench_preview` prints.
"""

import argparse
import resource
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from fractions import Fraction
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import soundfile

from retro.measuring.measure import measure_take
from retro.measuring.microphones import expected_attacks
from retro.model.phrase import Key, Note, Part, Phrase
from retro.model.settings import Settings
from retro.model.time import Bar, Meter, Steps, TempoMap
from retro.pack.copyist import copy_out
from retro.plan.compose import plan_song
from retro.plan.document import plan_json
from retro.read.plan_file import PlanFile, read_plan
from retro.read.song import Song
from retro.takes.common_range import open_take, whole_range
from retro.takes.flip import flip_take
from retro.units import pitch_to_hz

NOTES, NOTES_LONG = (10, 100, 1_000, 10_000), (100_000,)
PLAYERS = (1, 4, 16, 64)
NOTES_FOR_PLAYERS = 6_400
TAKES_S, TAKES_LONG_S = (10, 60, 600), (1_800, 7_200)

FOUR_FOUR = Meter(4, 4, (1, 1, 1, 1))
NOTES_A_BAR, BAR_S = 6, 2
RATE = 48_000
LEAD_S, TAIL_S, TONE_S = 1, 3, 0.4
BLOCK_S = 10


def song_of(notes: int, players: int) -> Song:
    """Return a song of lines, six notes a bar."""
    each = -(-notes // players)
    count = -(-each // NOTES_A_BAR)
    bars = tuple(Bar(Fraction(4 * k), Fraction(4), FOUR_FOUR) for k in range(count))
    length = Fraction(4 * count)
    parts = []
    for player in range(players):
        line, at = [], Fraction(0)
        for index in range(each):
            beats = Fraction(1) if index % 3 == 0 else Fraction(1, 2)
            pitch = 60 + (5 * index + 3 * player) % 17
            line.append(
                Note(on_beats=at, off_beats=at + beats, pitch=pitch, velocity=60 + index % 40)
            )
            at += beats
        parts.append(
            Part(name=f"Violin {player + 1}", channel=player % 16, program=40, notes=tuple(line))
        )
    phrase = Phrase(
        title="Growth",
        parts=tuple(parts),
        tempo=TempoMap(Steps(length, (Fraction(0),), (500_000,))),
        bars=bars,
        keys=Steps(length, (Fraction(0),), (Key(0),)),
        markers=(),
    )
    return Song(
        name="growth.mid", sha256="0" * 64, ticks_per_quarter=480, phrase=phrase, notices=()
    )


def seconds(work: Callable[[], object]) -> float:
    """Seconds of processor."""
    before = time.process_time()
    work()
    return time.process_time() - before


def peak_mb() -> float:
    """Most memory that this process has held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def row(what: str, spent_s: float, count: int, unit: str) -> str:
    """Return a line: the cost, the cost of one, and the peak so far."""
    each_us = 1e6 * spent_s / count
    return f"{what:<36}{spent_s:9.2f} s {each_us:9.0f} µs a {unit:<7}{peak_mb():7.0f} MB"


def note_rows(notes: int, players: int) -> list[str]:
    """Plan and write out a song."""
    song = song_of(notes, players)
    size = f"{notes:,} notes, {players} players: "
    settings = replace(Settings(), count_in_bars=1)
    made = []
    plan_s = seconds(lambda: made.append(plan_song(song, settings)))
    rows = [row(size + "plan", plan_s, notes, "note")]
    rows.append(row(size + "plan.json", seconds(lambda: plan_json(made[0])), notes, "note"))
    rows.append(row(size + "MusicXML", seconds(lambda: copy_out(made[0])), notes, "note"))
    return rows


def flip_rows(take_s: int, folder: Path, suffix: str) -> list[str]:
    """Flip a take of noise; its file is written a block at a time."""
    path = folder / f"noise.{suffix}"
    block = np.random.default_rng(1).integers(-(2**31), 2**31, RATE * BLOCK_S, np.int32)
    with soundfile.SoundFile(path, "w", RATE, 1, "PCM_24") as file:
        for _ in range(take_s // BLOCK_S):
            file.write(block)
    take = open_take([path])
    span = whole_range(take)
    spent_s = seconds(
        lambda: flip_take(take, folder / "out", start_frame=span.start, end_frame=span.end)
    )
    return [row(f"{take_s:,} s of take: flip {suffix}", spent_s, take_s, "second")]


def prepare_insert(take_s: int, folder: Path) -> list[str]:
    """Write the plan of an insert that fills a take, and the take."""
    bars = (take_s - LEAD_S - TAIL_S) // BAR_S
    plan = plan_song(song_of(bars * NOTES_A_BAR, 1), replace(Settings(), count_in_bars=1))
    (folder / "plan.json").write_bytes(plan_json(plan))
    write_tones(folder / "take.wav", read_plan(folder / "plan.json"), take_s)
    return []


def measure_rows(take_s: int, folder: Path) -> list[str]:
    """Read the plan and measure the take."""
    made = []
    size = f"{take_s:,} s of take: "
    read_s = seconds(lambda: made.append(read_plan(folder / "plan.json")))
    rows = [row(size + "read plan.json", read_s, take_s, "second")]
    start = LEAD_S * RATE
    spent_s = seconds(
        lambda: measure_take(folder / "take.wav", made[0], phrase_start_samples=start)
    )
    return [*rows, row(size + "measure", spent_s, take_s, "second")]


def write_tones(path: Path, plan: PlanFile, take_s: int) -> None:
    """Play the attacks of a plan with plain tones of four partials, a block at a time."""
    t = np.arange(int(TONE_S * RATE)) / RATE
    shape = np.minimum(t / 0.02, 1.0) * np.minimum((TONE_S - t) / 0.05, 1.0)
    attacks = [(round((LEAD_S + one.at_s) * RATE), one.pitch) for one in expected_attacks(plan)]
    size = BLOCK_S * RATE
    heard = np.zeros(size + len(t))
    with soundfile.SoundFile(path, "w", RATE, 1, "PCM_24") as file:
        for first in range(0, take_s * RATE, size):
            while attacks and attacks[0][0] < first + size:
                at, pitch = attacks.pop(0)
                hz = pitch_to_hz(pitch)
                tone = sum(np.sin(2 * np.pi * hz * k * t + k) / k for k in range(1, 5)) * shape
                heard[max(at - first, 0) :][: len(t)] += 0.05 * tone
            file.write(heard[:size])
            heard[: len(t)] = heard[size:]
            heard[len(t) :] = 0.0


def apart(work: Callable[..., list[str]], *arguments: object) -> None:
    """Print the rows of some work that is done in a process of its own."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        for line in pool.submit(work, *arguments).result():
            print(line, flush=True)


def idle_rows() -> list[str]:
    """What importing alone takes."""
    return [row("imports alone", time.process_time(), 1, "process")]


def main() -> None:
    parser = argparse.ArgumentParser(prog="bench_growth")
    parser.add_argument("what", nargs="*", choices=["notes", "players", "takes"], default=[])
    parser.add_argument("--long", action="store_true", help="the sizes that take minutes, too")
    asked = parser.parse_args()
    what = asked.what or ["notes", "players", "takes"]
    apart(idle_rows)
    if "notes" in what:
        for notes in (*NOTES, *(NOTES_LONG if asked.long else ())):
            apart(note_rows, notes, 8 if notes >= 100 else 1)
    if "players" in what:
        for players in PLAYERS:
            apart(note_rows, NOTES_FOR_PLAYERS, players)
    if "takes" in what:
        for take_s in (*TAKES_S, *(TAKES_LONG_S if asked.long else ())):
            for suffix in ("wav", "flac"):
                with tempfile.TemporaryDirectory() as folder:
                    apart(flip_rows, take_s, Path(folder), suffix)
            with tempfile.TemporaryDirectory() as folder:
                apart(prepare_insert, take_s, Path(folder))
                apart(measure_rows, take_s, Path(folder))


if __name__ == "__main__":
    main()

"""A whole recording day by a sound bank, from clicks to what is handed over; the truth is known.

Thirty people in an orchestra of sampled players (fluidsynth with the FluidR3 General MIDI bank),
four inserts of three songs, twelve takes in two reels of six microphones: see
`tests.evidence.made_recording_day`. The commands are those of docs/day.md. Places of the delivered
clips are worked out here from the bars of the songs, samples from the reels.
"""

import csv
import json
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner
from wavinfo import WavInfoReader

from retro.cli import app
from tests.evidence.made_ensembles import FLUID_R3, RATE
from tests.evidence.made_recording_day import (
    COUGH_AFTER_S,
    COUGHED,
    EARLY,
    EARLY_S,
    MICROPHONES,
    SHORT,
    SHORT_S,
    WRONG,
    MadeDay,
    MadeTake,
    Reel,
    made_day,
    made_reels,
    wrong_note,
)

pytestmark = pytest.mark.skipif(
    shutil.which("fluidsynth") is None or not FLUID_R3.is_file(),
    reason="fluidsynth and its General MIDI soundfont stand in for the orchestra",
)

SOURCE = "fluidsynth, FluidR3 GM bank, in a made room (test_recording_day)"
FAULTS = {COUGHED, WRONG, EARLY, SHORT}
CHOICES = {
    "A": "A = 1:1-2, 3:3-4, tail 1",
    "B": "B = 3",
    "C": "C = 1",
    "D": "D = 2",
    "D-other": "D = 1",
}
WINDOWS_BEATS = {"A": (0, 12, 76), "B": (0, 12, 66), "C": (0, 16, 88), "D": (12, 12, 76)}
"""Where each window begins, how long it is, and quarter notes a minute: from the songs, by hand."""


def run(*words: object) -> str:
    done = CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return str(done.output)


@dataclass(frozen=True)
class Recorded:
    """The day as it was made, as it was recorded, and what the commands say of it."""

    made: MadeDay
    reels: list[Reel]
    folder: Path
    takes: list[dict]
    judged: dict[tuple[str, int], dict]
    judge_s: float

    def truth(self, letter: str, number: int) -> tuple[Reel, MadeTake]:
        """Return a take and its reel."""
        return next(
            (reel, take)
            for reel in self.reels
            for take in reel.takes
            if (take.letter, take.number) == (letter, number)
        )


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    folder = tmp_path_factory.mktemp("recorded")
    made = made_day(folder)
    run("day", "prepare", made.day_toml, "--out", folder / "day", "--quiet")
    clicks = {}
    for insert in json.loads((folder / "day" / "day.json").read_text())["inserts"]:
        sound, rate = soundfile.read(folder / "day" / insert["click"])
        assert rate == RATE
        clicks[insert["letter"]] = (sound, insert["phrase_start_frame"])
    reels = made_reels(made, clicks, folder, seed=1)
    paths = [path for reel in reels for path in reel.paths.values()]
    takes = folder / "takes.json"
    run("day", "find", made.day_toml, *paths, "--out", takes, "--quiet")
    begun_s = time.process_time()
    out = folder / "judged"
    run("day", "judge", made.day_toml, "--takes", takes, "--out", out, "--quiet")
    judged = json.loads((out / "judged.json").read_text())["takes"]
    return Recorded(
        made=made,
        reels=reels,
        folder=folder,
        takes=json.loads(takes.read_text())["takes"],
        judged={(one["letter"], one["number"]): one for one in judged},
        judge_s=time.process_time() - begun_s,
    )


def test_thirty_people_get_a_folder_each(recorded: Recorded) -> None:
    folders = sorted((recorded.folder / "day" / "folders").glob("*.pdf"))
    assert len(folders) == 1 + 30  # the scores, and a folder a person


def test_all_takes_are_found_to_the_frame_and_none_is_invented(
    recorded: Recorded, record_evidence: Callable[..., None]
) -> None:
    wanted = [take for reel in recorded.reels for take in reel.takes]
    assert [(one["letter"], one["number"]) for one in recorded.takes] == [
        (take.letter, take.number) for take in wanted
    ]
    errors = [
        found["phrase_start_frame"] - take.phrase_start
        for found, take in zip(recorded.takes, wanted, strict=True)
    ]
    assert max(map(abs, errors)) <= 2
    record_evidence(
        what="takes of a made day in two reels of six microphones, found by the ticks",
        source=SOURCE,
        expected="12, none else, within 2 frames",
        found=f"{len(errors)}, {1000 * max(map(abs, errors)) / RATE:.2f} ms off at most",
    )


def test_the_four_faults_are_told_and_no_other(
    recorded: Recorded, record_evidence: Callable[..., None]
) -> None:
    judged = recorded.judged
    assert {name for name, one in judged.items() if one["remarks"]} == FAULTS
    (noise,) = judged[COUGHED]["noises"]
    assert abs(noise["after_release_s"] - COUGH_AFTER_S) < 0.1
    assert abs(judged[EARLY]["early_s"] - EARLY_S) < 0.1
    assert abs(judged[SHORT]["roll_short_s"] - SHORT_S) < 0.01
    doubtful = [note for one in judged[WRONG]["sections"] for note in one["doubtful"]]
    assert [(one["note"], one["semitones"]) for one in doubtful] == [
        (wrong_note(recorded.made.pieces[WRONG[0]]), 1)
    ]
    for name, one in judged.items():
        assert one["is_there"] is True
        kinds = [
            bool(one["noises"]),
            any(section["doubtful"] for section in one["sections"]),
            one["early_s"] is not None,
            one["roll_short_s"] > 0.0,
        ]
        assert kinds == [name == fault for fault in (COUGHED, WRONG, EARLY, SHORT)]
    record_evidence(
        what="a cough, a wrong note, an early release and a short roll in four of its twelve takes",
        source=SOURCE,
        expected="each told, nothing else",
        found=f"all 4, 0 false, {recorded.judge_s / len(judged):.1f} s of processor a take",
    )


def test_no_take_with_a_fault_comes_first(recorded: Recorded) -> None:
    first = {name for name, one in recorded.judged.items() if one["rank"] == 1}
    assert len(first) == 4
    assert first.isdisjoint(FAULTS)


@pytest.fixture(scope="module")
def handed(recorded: Recorded) -> Path:
    folder = recorded.folder
    for name, words in CHOICES.items():
        choice = folder / f"{name}.json"
        takes = folder / "judged" / "takes.json"
        day = recorded.made.day_toml
        run("day", "choose", day, words, "--takes", takes, "--out", choice)
        run("flip", "--choice", choice, "--out", folder / "clips" / name, "--quiet")
    clips = [word for name in "ABCD" for word in ("--clips", folder / "clips" / name)]
    out = folder / "deliver"
    other = folder / "clips" / "D-other"
    run("day", "deliver", recorded.made.day_toml, *clips, "--alternates", other, "--out", out)
    return out


def test_everything_that_is_handed_over_lies_where_it_sounds(
    recorded: Recorded, handed: Path, record_evidence: Callable[..., None]
) -> None:
    placed = 0
    for table in sorted(handed.glob("*/placement.csv")):
        with table.open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                name = f"{row['insert']}{'' if row['use'] == 'clip' else '-other'}"
                _assert_placed(recorded, table.parent / row["file"], row, name)
                placed += 1
    assert placed == len(CHOICES) * len(MICROPHONES)
    record_evidence(
        what="delivered clips against the reels, turned and placed by the bars of the songs",
        source="worked out in the test",
        expected="0 samples off",
        found=f"0 in {placed} files, one insert of three takes among them",
    )


def _assert_placed(recorded: Recorded, path: Path, row: dict[str, str], name: str) -> None:
    choice = json.loads((recorded.folder / f"{name}.json").read_text())
    letter = choice["letter"]
    begin_beats, beats, bpm = WINDOWS_BEATS[letter]
    end = round((begin_beats + beats) * 60 * RATE / bpm)
    late_ms = recorded.judged[letter, choice["placing_take"]]["lateness_ms"]
    shift = recorded.made.pieces[letter].plan.placement.shift_samples
    shift += round(late_ms * RATE / 1000)  # the take is later by this: counted backwards, too
    start = int(row["clip start (frames of the song)"])
    assert WavInfoReader(str(path)).bext.time_reference == 3600 * RATE + start
    clip, _ = soundfile.read(path, dtype="int32")
    inserted = np.arange(end - 1 + shift - start, end - 1 + shift - start - len(clip), -1)
    microphone = path.stem.rsplit("_", 1)[1]
    joins = [(join["at_frame"], join["fade_frames"] // 2) for join in choice["joins"]]
    takes = [stretch["take"] for stretch in choice["stretches"]]
    edges = [-(10**9), *(at for at, _ in joins), 10**9]
    is_mixed = np.zeros(len(clip), dtype=bool)
    for at, half in joins:
        is_mixed |= (inserted >= at - half) & (inserted < at + half)
    assert is_mixed.sum() == sum(2 * half for _, half in joins)
    for take, low, high in zip(takes, edges[:-1], edges[1:], strict=True):
        reel, truth = recorded.truth(letter, take)
        sound, _ = soundfile.read(reel.paths[microphone], dtype="int32")
        own = (inserted >= low) & (inserted < high) & ~is_mixed
        assert np.array_equal(clip[own], sound[truth.phrase_start + inserted[own]])
        assert own.any()

"""What is handed over: a stranger places everything from it alone."""

import csv
import hashlib
import html
import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from jsonschema import Draft202012Validator
from typer.testing import CliRunner
from wavinfo import WavInfoReader

from retro.cli import app
from retro.day.compose import Day
from retro.day.deliver import deliver
from retro.day.takes_document import MicrophoneFile, TakeDocument, TakesDocument
from retro.errors import RetroError, TakeError
from retro.model.encoding import encoded
from tests.day.made_takes import day_of

DOCS = Path(__file__).parents[2] / "docs"
RATE = 48_000
MICROPHONES = {"Main": 1000, "Horns": 2000}
STARTS = {("A", 1): 60_000, ("A", 2): 500_000, ("C", 1): 900_000, ("D", 1): 1_500_007}
STRUCK = (1, 30_000, 60_000, 100_001, 140_000)
"""Insert frames at which every take of the made recording has one frame that is not silent."""

# The Lantern: 3/4 at 100 quarters a minute, so 1.8 s a bar; The Ferry: 6/8, 3 s a bar.
WINDOWS = {"A": (0, 172_800), "C": (0, 288_000), "D": (345_600, 172_800)}
"""First frame of the song that is replaced, and how many: by hand."""


def run(*words: object) -> str:
    done = CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def level(letter: str, number: int, microphone: str, at: int) -> int:
    """Return the value of a struck frame: it tells insert, take, microphone and place."""
    return MICROPHONES[microphone] + 100 * number + 10 * "ACD".index(letter) + STRUCK.index(at)


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return takes.json beside two microphones that are silent but for struck frames."""
    folder = tmp_path_factory.mktemp("recording")
    for name in MICROPHONES:
        sound = np.zeros(2_000_000, dtype=np.int16)
        for (letter, number), start in STARTS.items():
            for at in STRUCK:
                sound[start + at] = level(letter, number, name, at)
        soundfile.write(folder / f"{name}.wav", sound, RATE, subtype="PCM_16")
    takes = tuple(
        TakeDocument(
            letter=letter,
            number=number,
            files=tuple(MicrophoneFile(microphone=n, path=f"{n}.wav") for n in MICROPHONES),
            phrase_start_frame=start,
            within_frames=2.0,
            lateness_ms=25.0 if letter == "D" else None,
            remarks=("a noise 0.9 s after the last release",) if letter == "D" else (),
        )
        for (letter, number), start in STARTS.items()
    )
    (folder / "takes.json").write_bytes(encoded(TakesDocument(takes=takes)))
    return folder / "takes.json"


@pytest.fixture(scope="module")
def flipped(day: Day, recording: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder of flipped choices: A of two takes, another take of A, C and D."""
    folder = tmp_path_factory.mktemp("flipped")
    for name, words in (
        ("A", "A = 1:1, 2:2"),
        ("A-other", "A = 2"),
        ("C", "C = 1"),
        ("D", "D = 1"),
    ):
        choice = folder / f"{name}.json"
        why = ["--why", "the  warmer end"] if name == "A" else []
        run("day", "choose", day.path, words, "--takes", recording, "--out", choice, *why)
        run("flip", "--choice", choice, "--out", folder / name, "--quiet")
    return folder


@pytest.fixture(scope="module")
def handed(day: Day, flipped: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder that is handed over."""
    out = tmp_path_factory.mktemp("handed") / "deliver"
    clips = [word for name in ("A", "C", "D") for word in ("--clips", flipped / name)]
    run("day", "deliver", day.path, *clips, "--alternates", flipped / "A-other", "--out", out)
    return out


def test_a_stranger_places_everything_from_it_alone_to_the_frame(
    day: Day, handed: Path, tmp_path: Path
) -> None:
    alone = tmp_path / "alone"
    shutil.copytree(handed, alone)
    shifts = {insert.letter: insert.plan.placement.shift_samples for insert in day.inserts}
    placed = 0
    for table in sorted(alone.glob("*/placement.csv")):
        with table.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        for row in rows:
            path = table.parent / row["file"]
            start = int(row["clip start (frames of the song)"])
            clip = soundfile.read(path, dtype="int16")[0]
            assert len(clip) == int(row["frames"])
            # By the time-stamp alone: the song begins at one o'clock.
            stamp = WavInfoReader(str(path)).bext.time_reference
            assert stamp - 3_600 * RATE == start
            found = {int(value): start + int(at) for at, value in enumerate(clip) if value}
            microphone = path.stem.rsplit("_", 1)[1]
            letter = row["insert"]
            first, length = WINDOWS[letter]
            # Later by 25 ms than written, so laid earlier by as much, counted backwards: later.
            shift = shifts[letter] + (1_200 if letter == "D" else 0)
            numbers = [1, 2] if row["use"] == "clip" and letter == "A" else [int(row["take"])]
            for value, at in found.items():
                number, struck = (value % 1000) // 100, STRUCK[value % 10]
                assert value == level(letter, number, microphone, struck)
                assert number in numbers
                assert at == first + length - 1 - struck + shift
                placed += 1
            assert {(value % 1000) // 100 for value in found} == set(numbers)
    assert placed == 2 * (5 + 5 + 5 + 5)


def test_hashes_and_documents_hold(handed: Path) -> None:
    schema = json.loads((DOCS / "deliver.schema.json").read_text())
    listed = 0
    for folder in sorted(handed.glob("0*")):
        document = json.loads((folder / "deliver.json").read_text())
        Draft202012Validator(schema).validate(document)
        hashes = folder / "sha256.txt"
        lines = hashes.read_text().splitlines() if hashes.exists() else []
        for line in lines:
            sha256, _, path = line.partition("  ")
            assert hashlib.sha256((folder / path).read_bytes()).hexdigest() == sha256
        listed += len(lines)
        sounds = {str(p.relative_to(folder)) for p in folder.rglob("*.wav")}
        assert {line.partition("  ")[2] for line in lines} == sounds
    assert listed == 8
    assert [path.name for path in sorted(handed.glob("0*"))] == [
        "01-the-lantern",
        "02-the-quarry",
        "03-the-ferry",
    ]


def test_the_page_says_what_is_missing_doubtful_and_left_to_people(handed: Path) -> None:
    lantern, quarry = (
        html.unescape((handed / name / "index.html").read_text(encoding="utf-8"))
        for name in ("01-the-lantern", "02-the-quarry")
    )
    assert "Nothing was chosen for Insert B" in quarry
    assert "Nothing was chosen" not in lantern
    for words in (
        "take <strong><bdi>1:1, 2:2</bdi></strong> (take:bars of the insert)",
        "Alternate: take <bdi>2</bdi>",
        "chosen because</dt><dd><bdi>the warmer end</bdi>",
        "chosen because</dt><dd>nobody said",
        "the lateness of the players was not measured",
        "+25.0 ms, which is in the place",
        "take 1: a noise 0.9 s after the last release",
        "Left to people",
        "default-src 'none'",
    ):
        assert words in lantern
    assert re.search(r"https?://", lantern) is None
    assert "<script" not in lantern


def test_crossfades_are_told_in_frames_of_the_clip(handed: Path, flipped: Path) -> None:
    document = json.loads((handed / "01-the-lantern" / "deliver.json").read_text())
    choice = json.loads((flipped / "A.json").read_text())
    (fade,) = document["inserts"][0]["clip"]["crossfades"]
    middle = choice["end_frame"] - choice["joins"][0]["at_frame"]
    assert fade == [middle - 720, middle + 720]


def test_a_song_of_which_nothing_was_chosen_has_no_hashes(
    day: Day, flipped: Path, tmp_path: Path
) -> None:
    said = run("day", "deliver", day.path, "--clips", flipped / "A", "--out", tmp_path / "out")
    assert "1 of 4 inserts, 3 songs" in said
    hashed = [(folder / "sha256.txt").is_file() for folder in sorted((tmp_path / "out").glob("0*"))]
    told = [
        "sha256sum -c" in (folder / "index.html").read_text()
        for folder in sorted((tmp_path / "out").glob("0*"))
    ]
    assert hashed == told == [True, False, False]


def test_one_insert_of_one_song_is_told_in_the_singular(
    day: Day, flipped: Path, tmp_path: Path
) -> None:
    alone = day_of(day.path.parent, "A").path
    said = run("day", "deliver", alone, "--clips", flipped / "A", "--out", tmp_path / "out")
    assert "1 of 1 insert, 1 song\n" in said


def test_what_changed_after_the_flip_is_not_handed_over(
    day: Day, flipped: Path, tmp_path: Path
) -> None:
    for what, told in (
        ("clip", "is gone, or was changed after it was flipped"),
        ("place", "the clips were placed at frame"),
        ("plan", "of a plan that is not of this day"),
        ("incomplete", "the flip was not ended"),
        ("unsaid", "does not say which insert"),
    ):
        folder = tmp_path / what
        shutil.copytree(flipped / "C", folder)
        manifest = json.loads((folder / "flip.json").read_text())
        if what == "clip":
            path = folder / manifest["files"][0]["output"]
            path.write_bytes(path.read_bytes()[:-1] + b"\1")
        elif what == "place":
            manifest["clip_start_samples"] += 1
        elif what == "plan":
            manifest["insert"]["plan_sha256"] = "0" * 64
        elif what == "incomplete":
            manifest["is_complete"] = False
        else:
            manifest["insert"] = None
        (folder / "flip.json").write_text(json.dumps(manifest))
        with pytest.raises(RetroError, match=told):
            deliver(day, [folder], tmp_path / "out")
        assert not (tmp_path / "out").exists()


def test_a_folder_that_no_flip_wrote_is_refused(day: Day, flipped: Path, tmp_path: Path) -> None:
    for folder in (flipped, tmp_path / "none"):
        with pytest.raises(
            TakeError, match=r"holds no flip.json.* give the folder that retro flip"
        ):
            deliver(day, [folder], tmp_path / "out")


def test_two_clips_of_one_insert_are_refused(day: Day, flipped: Path, tmp_path: Path) -> None:
    with pytest.raises(TakeError, match="are both clips of Insert A"):
        deliver(day, [flipped / "A", flipped / "A-other"], tmp_path / "out")

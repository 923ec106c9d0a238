"""No name, title or file of others reaches a terminal with what would steer it."""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

STEERS = "a\x1b[31m\x9b2J\x07\u202e\u2066b"
"""Colour, clearing the screen in 8 bits, the bell, and marks that turn the direction of a line."""


def run(folder: Path, *words: str) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, "-m", "retro", *words]
    return subprocess.run(command, capture_output=True, check=False, cwd=folder)


def assert_steers_nothing(done: subprocess.CompletedProcess[bytes], *, code: int = 0) -> None:
    assert done.returncode == code, done.stderr
    for text in (done.stdout.decode(), done.stderr.decode()):
        raw = {char for char in text if char != "\n" and not char.isprintable()} - {"\u3000"}
        assert raw == set(), text


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a song, and a pack and takes of it, all named to steer a terminal."""
    place = tmp_path_factory.mktemp("steers")
    file = mido.MidiFile(charset="utf-8")
    conductor = mido.MidiTrack([mido.MetaMessage("track_name", name=STEERS)])
    conductor.append(mido.MetaMessage("marker", text=STEERS))
    file.tracks.append(conductor)
    for number in range(2):
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=f"Flute {STEERS}{number}")])
        for kind, pitch, time in (("note_on", 24 + number, 0), ("note_off", 24 + number, 960)):
            track.append(mido.Message(kind, channel=number, note=pitch, time=time))
        file.tracks.append(track)
    file.save(place / f"{STEERS}.mid")
    for number in range(2):
        sound = np.random.default_rng(number).uniform(-0.1, 0.1, 48_000)
        soundfile.write(place / f"{STEERS}{number}.wav", sound, 48_000, "PCM_24")
    song = f"{STEERS}.mid"
    assert_steers_nothing(run(place, "build", song, "--out", STEERS, "--only", "engineer"))
    (place / STEERS / STEERS).write_text("mine")
    return place


def commands() -> Iterator[tuple[str, int, list[str]]]:
    song, out, plan = f"{STEERS}.mid", STEERS, f"{STEERS}/plan.json"
    build = ["build", song, "--out", out, "--only", "engineer"]
    takes = [f"{STEERS}{number}.wav" for number in range(2)]
    yield "show", 0, ["show", song]
    yield "show --json", 0, ["show", song, "--json"]
    yield "check", 0, ["check", song, "--all"]
    yield "check --json", 0, ["check", song, "--json"]
    yield "build --overwrite", 0, [*build, "--overwrite", "--all"]
    yield "build", 1, build
    yield "place", 0, ["place", plan]
    yield "place --json", 0, ["place", plan, "--json"]
    yield "place --csv", 1, ["place", plan, "--csv", takes[0]]
    yield "flip", 1, ["flip", *takes, "--out", "out"]
    yield "flip named", 0, ["flip", *takes, "--out", "out", "--names", "{n}{suffix}"]
    yield "measure", 1, ["measure", takes[0], "--plan", plan]
    yield "measure two", 1, ["measure", *takes, "--plan", plan]
    yield "draft", 0, ["draft", f"{STEERS}d.mid", "--players", "flute", "--pitches", "C5"]
    yield "draft taken", 1, ["draft", song, "--players", "flute", "--pitches", "C5"]
    yield "an option", 1, ["check", song, "--bars", STEERS]
    yield "a track", 1, ["check", song, "--tracks", STEERS]
    yield "no file", 1, ["show", f"{STEERS}.xml"]
    yield "a marker", 1, ["check", song, "--start-marker", f"{STEERS}z"]


@pytest.mark.parametrize(
    ("code", "words"), [one[1:] for one in commands()], ids=[one[0] for one in commands()]
)
def test_nothing_of_others_steers_a_terminal(code: int, words: list[str], folder: Path) -> None:
    assert_steers_nothing(run(folder, *words), code=code)


def test_all_talk_goes_through_what_escapes_it() -> None:
    source = Path(__file__).parents[2] / "retro" / "cli"
    printing = [
        path.name
        for path in sorted(source.glob("*.py"))
        if "typer.echo(" in path.read_text() or "print(" in path.read_text().replace("_print(", "")
    ]
    assert printing == ["__init__.py", "refusing.py", "tables.py"]

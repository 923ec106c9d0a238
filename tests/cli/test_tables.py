"""Tables fit the terminal, whatever the names; what is piped stays whole."""

import os
import pty
import shutil
import subprocess
import sys
import unicodedata
from pathlib import Path

import mido
import pytest

from retro.cli.tables import UNLIMITED, table_lines

NAMES = ("Contrabassophone " * 6, "大編成管弦楽団の第一ヴァイオリン" * 4, "Oboe", "x" * 150)


def cells(text: str) -> int:
    """Return the width on a screen by UAX 11: wide and full-width characters take two cells."""
    return sum(2 if unicodedata.east_asian_width(char) in "WF" else 1 for char in text)


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = mido.MidiFile(ticks_per_beat=96, charset="utf-8")
    for channel, name in enumerate(NAMES):
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
        for kind, time in (("note_on", 0), ("note_off", 384)):
            track.append(mido.Message(kind, channel=channel, note=60, velocity=64, time=time))
        file.tracks.append(track)
    path = tmp_path_factory.mktemp("song") / "song.mid"
    file.save(path)
    return path


def in_terminal(columns: int, *arguments: str) -> str:
    """Return what a command prints into a terminal of so many columns."""
    near, far = pty.openpty()
    environment = {**os.environ, "COLUMNS": str(columns)}
    process = subprocess.Popen(
        [sys.executable, "-m", "retro", *arguments], stdout=far, stderr=far, env=environment
    )
    os.close(far)
    read = b""
    while True:
        try:
            piece = os.read(near, 65_536)
        except OSError:
            break
        if not piece:
            break
        read += piece
    os.close(near)
    assert process.wait() == 0, read
    return read.decode()


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory, song: Path) -> Path:
    """Return the plan of a song whose names are wide."""
    folder = tmp_path_factory.mktemp("pack")
    words = ["build", str(song), "--out", "pack", "--only", "engineer", "--quiet"]
    subprocess.run([sys.executable, "-m", "retro", *words], check=True, cwd=folder)
    return folder / "pack" / "plan.json"


@pytest.fixture(scope="module")
def takes(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """Return a plan and its played sound, twice, under names that are long."""
    folder = tmp_path_factory.mktemp("takes")
    target = Path(__file__).parents[2] / "examples" / "studies" / "violin_run.mid"
    words = ["build", str(target), "--out", "pack", "--only", "arranger", "--bars", "1-2"]
    subprocess.run([sys.executable, "-m", "retro", *words, "--quiet"], check=True, cwd=folder)
    played = folder / "pack" / "arranger" / "played.wav"
    copies = [folder / f"{'long name ' * 8}{number}.wav" for number in range(2)]
    for copy in copies:
        shutil.copy(played, copy)
    return folder / "pack" / "plan.json", *copies


@pytest.mark.parametrize("columns", [60, 80, 120])
@pytest.mark.parametrize(
    "command",
    ["show", "check", "instruments", "swell", "place", "build", "flip", "measure", "measure one"],
)
def test_no_line_is_wider_than_the_terminal(
    command: str,
    columns: int,
    song: Path,
    plan: Path,
    takes: tuple[Path, Path, Path],
    tmp_path: Path,
) -> None:
    taken, one, other = map(str, takes)
    arguments = {
        "show": [str(song)],
        "check": [str(song), "--compare"],
        "instruments": [],
        "swell": ["--players", "Horn in F, Harp", "--beats", "4"],
        "place": [str(plan)],
        "build": [str(song), "--out", str(tmp_path / ("pack " * 20)), "--only", "engineer"],
        "flip": [one, other, "--out", str(tmp_path), "--starts-together", "--quiet"],
        "measure": [one, other, "--plan", taken],
        "measure one": [one, "--plan", taken],
    }[command]
    lines = in_terminal(columns, command.split(maxsplit=1)[0], *arguments).splitlines()
    assert max(map(cells, lines)) <= columns
    assert len(lines) > 2


def test_what_is_piped_is_neither_cut_nor_folded(song: Path) -> None:
    command = [sys.executable, "-m", "retro", "show", str(song)]
    environment = {**os.environ, "COLUMNS": "40"}
    piped = subprocess.run(
        command, capture_output=True, check=True, env=environment
    ).stdout.decode()
    for name in NAMES:
        assert any(name.strip() in line for line in piped.splitlines()), name


@pytest.mark.parametrize("width", [60, 80, 120, UNLIMITED])
def test_folded_cells_keep_every_letter(width: int) -> None:
    rows = [("track", "notes"), *((name, "12") for name in NAMES)]
    lines = table_lines(rows, width)
    text = "".join(line.removesuffix("12").replace(" ", "") for line in lines)
    assert all(name.replace(" ", "") in text for name in NAMES)
    assert max(map(cells, lines)) <= width


def test_brackets_are_text_and_control_characters_are_escaped() -> None:
    assert table_lines([("[bold]x[/bold]", "\x1b[2J\u202e")], 80) == [
        "[bold]x[/bold]  \\x1b[2J\\u202e"
    ]

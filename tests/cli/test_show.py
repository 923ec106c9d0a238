"""`retro show`: what a person reads about a file."""

import json
from pathlib import Path

from rich.cells import cell_len
from typer.testing import CliRunner

from retro.cli import app
from retro.cli.show import _at_bars
from retro.errors import MidiError
from tests.read.hexfile import FOLDER, load

RUNNER = CliRunner()


def place(name: str, folder: Path) -> Path:
    path = folder / f"{name}.mid"
    path.write_bytes(load(FOLDER / "valid" / f"{name}.hex"))
    return path


def test_the_table_lists_every_track_with_a_player(tmp_path: Path) -> None:
    result = RUNNER.invoke(app, ["show", str(place("running_status", tmp_path))])
    assert result.exit_code == 0
    row = next(line for line in result.stdout.splitlines() if line.startswith("1 "))
    assert row.split() == ["1", "Oboe", "1", "68", "2", "C4", "to", "D4", "Oboe", "track", "name"]


def test_bars_meters_keys_and_markers_stand_above_the_table(tmp_path: Path) -> None:
    lines = RUNNER.invoke(app, ["show", str(place("markers", tmp_path))]).stdout.splitlines()
    heads = dict(line.split("  ", 1) for line in lines if "  " in line)
    assert heads["bars"].strip() == "3"
    assert heads["meters"].strip() == "4/4 (bar 1)"
    assert heads["keys"].strip() == "no key signature (bar 1)"
    assert heads["markers"].strip() == "bar 1: Tutti"
    assert any(line.strip() == "bar 2: Coda" for line in lines)


def test_json_tells_the_same(tmp_path: Path) -> None:
    result = RUNNER.invoke(app, ["show", "--json", str(place("meter_inside_a_bar", tmp_path))])
    facts = json.loads(result.stdout)
    assert facts["bars"] == 3
    assert facts["short_bars"] == [1]
    assert facts["meters"] == [{"bar": 1, "meter": "4/4"}, {"bar": 2, "meter": "3/4"}]
    assert facts["length_s"] == 4.0
    assert [track["notes"] for track in facts["tracks"]] == [1]


def test_notices_are_told(tmp_path: Path) -> None:
    result = RUNNER.invoke(app, ["show", str(place("hanging_note", tmp_path))])
    told = "warn: a track without a name, channel 1: notes that never end were closed"
    assert told in result.stdout


def test_a_name_cannot_move_the_cursor(tmp_path: Path) -> None:
    data = load(FOLDER / "valid" / "running_status.hex").replace(b"Oboe", b"\x1b[2J")
    path = tmp_path / "escape.mid"
    path.write_bytes(data)
    stdout = RUNNER.invoke(app, ["show", str(path)]).stdout
    assert "\x1b" not in stdout
    assert "[2J" in stdout


def test_wide_names_keep_the_columns_aligned(tmp_path: Path) -> None:
    path = place("name_shift_jis", tmp_path)
    lines = RUNNER.invoke(app, ["show", str(path)]).stdout.splitlines()
    heading = next(line for line in lines if line.startswith("no."))
    row = next(line for line in lines if line.startswith("1 "))
    assert heading.index("range") == cell_len(row[: row.index("C4")])


def test_what_is_no_midi_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "song.mid"
    path.write_bytes(b"%PDF-1.7")
    result = RUNNER.invoke(app, ["show", str(path)])
    assert isinstance(result.exception, MidiError)
    assert "MThd" in str(result.exception)


def test_many_changes_of_meter_are_counted_and_not_all_listed() -> None:
    changes = [{"bar": bar, "meter": "5/8" if bar % 2 else "7/8"} for bar in range(1, 17)]
    told = _at_bars(changes, "meter")
    assert told.startswith("5/8 (bar 1), 7/8 (bar 2), ")
    assert told.endswith("7/8 (bar 8), and 8 more changes (--json)")
    assert _at_bars(changes[:8], "meter").endswith("7/8 (bar 8)")

"""Flags that stand for settings are settings, and are spread out of their objects."""

import inspect
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from retro.cli import app
from retro.cli.build import BuildFlags, build
from retro.cli.check import check
from retro.cli.options import SettingFlags
from retro.errors import SettingsError
from retro.model.letters import letter_after
from retro.read.settings import TABLES

TARGET = Path(__file__).parents[2] / "examples" / "studies" / "violin_run.mid"


def test_every_flag_of_a_setting_has_the_key_of_a_file() -> None:
    keys = {key for table in TABLES.values() for key in table}
    assert BuildFlags().by_key().keys() <= keys
    assert SettingFlags().by_key().keys() < BuildFlags().by_key().keys()
    assert {"from", "to"} <= SettingFlags().by_key().keys()


@pytest.mark.parametrize("command", [build, check])
def test_a_command_takes_every_field_as_a_flag_and_no_object(command: object) -> None:
    assert callable(command)
    parameters = inspect.signature(command).parameters
    assert {"bars", "from_", "grid_beats", "everything"} <= parameters.keys()
    assert "flags" not in parameters


def test_a_flag_that_is_given_stands_under_its_key() -> None:
    given = BuildFlags(from_="2.1", rate=44100).by_key()
    assert {key: value for key, value in given.items() if value is not None} == {
        "from": "2.1",
        "rate": 44100,
    }


def test_letters_count_on() -> None:
    letters = ["Y"]
    for _ in range(3):
        letters.append(letter_after(letters[-1]))
    assert letters == ["Y", "Z", "AA", "AB"]
    assert letter_after("AZ") == "BA"
    assert letter_after("ZZ") == "AAA"


def test_several_windows_are_refused_where_one_insert_is_meant() -> None:
    with pytest.raises(SettingsError, match="given 2 times"):
        SettingFlags(bars=["1-4", "9-12"]).by_key()


def test_several_windows_become_a_pack_each_with_the_next_letter(tmp_path: Path) -> None:
    runner = CliRunner()
    words = ["build", str(TARGET), "--out", str(tmp_path / "packs"), "--only", "engineer"]
    done = runner.invoke(app, [*words, "--bars", "1-2", "--bars", "3-4", "--letter", "D"])
    assert done.exit_code == 0, done.output
    for letter, bars in (("D", (1, 2)), ("E", (3, 4))):
        plan = json.loads((tmp_path / "packs" / letter / "plan.json").read_text())
        assert plan["insert"]["letter"] == letter
        assert (plan["window"]["start_bar"], plan["window"]["end_bar"]) == bars
    again = runner.invoke(app, [*words, "--bars", "1-2", "--bars", "3-4", "--watch"])
    assert isinstance(again.exception, SettingsError)


def test_a_window_that_is_refused_leaves_none_of_several_packs(tmp_path: Path) -> None:
    out = tmp_path / "packs"
    words = ["build", str(TARGET), "--out", str(out), "--only", "engineer"]
    done = CliRunner().invoke(app, [*words, "--bars", "1-2", "--bars", "901-904"])
    assert done.exit_code == 1
    assert not out.exists()


def test_one_window_asked_for_twice_is_refused_however_it_is_written(tmp_path: Path) -> None:
    out = tmp_path / "packs"
    words = ["build", str(TARGET), "--out", str(out), "--only", "engineer"]
    done = CliRunner().invoke(app, [*words, "--bars", "3", "--bars", "3-3"])
    assert isinstance(done.exception, SettingsError)
    assert "the window of bar 3 is there twice" in str(done.exception)
    assert not out.exists()

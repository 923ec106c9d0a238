"""Flags that stand for settings are settings, and are spread out of their objects."""

import inspect

import pytest

from retro.cli.build import BuildFlags, build
from retro.cli.check import check
from retro.cli.options import SettingFlags
from retro.read.settings import TABLES


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

import importlib.util
from pathlib import Path
from typing import get_args, get_type_hints

import pytest
from typer.testing import CliRunner

from retro.cli import app

DOCS = Path(__file__).parent.parent.parent / "docs"


def test_the_reference_is_what_the_program_says() -> None:
    spec = importlib.util.spec_from_file_location("make_reference", DOCS / "make_reference.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    written = (DOCS / "reference.md").read_text(encoding="utf-8")
    assert written == module.reference(), "run: python docs/make_reference.py"


def test_every_command_and_every_option_has_help() -> None:
    assert len(app.registered_commands) >= 4
    groups = [group.typer_instance for group in app.registered_groups]
    nested = [each for group in groups if group for each in group.registered_commands]
    assert nested
    for command in [*app.registered_commands, *nested]:
        callback = command.callback
        assert callback is not None
        assert callback.__doc__, callback
        for name, hint in get_type_hints(callback, include_extras=True).items():
            assert name == "return" or get_args(hint)[1].help, f"{callback.__name__} {name}"


@pytest.mark.parametrize("words", [[], ["day"]])
def test_the_list_of_commands_says_whole_lines(words: list[str]) -> None:
    listed = CliRunner().invoke(app, [*words, "--help"], env={"COLUMNS": "80"}).output
    assert "Commands:" in listed
    assert "..." not in listed.partition("Commands:")[2]

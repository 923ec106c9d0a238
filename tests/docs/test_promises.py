"""The table of promises names tests that exist, for every command that writes."""

import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest
from typer.main import get_command

from retro.cli import app
from tests.files.cases import CASES

ROOT = Path(__file__).parents[2]
TESTS = ROOT / "tests" / "files"
WRITES = {"out": "", "csv": " --csv", "watch": " --watch"}
"""What parameters of a command say that it writes, and the words for it."""

PROMISES = {
    "never overwrite",
    "never lose",
    "all or nothing",
    "kill at any moment",
    "full disk, at any byte",
    "two at once",
    "source inside",
    "link",
    "read-only place",
}


def table() -> tuple[list[str], list[list[str]]]:
    """Return the head and the rows."""
    text = (ROOT / "docs" / "promises.md").read_text(encoding="utf-8")
    lines = text.partition("| promise |")[2].partition("\n\n")[0].splitlines()
    head, _, *rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    return ["promise", *head], rows


@cache
def collected() -> frozenset[str]:
    command = [sys.executable, "-m", "pytest", "--collect-only", "-q", "-p", "no:cacheprovider"]
    done = subprocess.run(
        [*command, "-o", "addopts=", str(TESTS)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    lines = done.stdout.splitlines()
    return frozenset(line.removeprefix("tests/files/") for line in lines if "::" in line)


def named(row: list[str]) -> list[list[str]]:
    """Return the tests that each cell of a row names."""
    test = row[1].strip("`")
    return [[test + case for case in re.findall(r"`(\[[^`]+\])`", cell)] for cell in row[2:]]


def test_every_promise_has_a_row() -> None:
    assert {row[0] for row in table()[1]} >= PROMISES


@pytest.mark.parametrize("row", table()[1], ids=lambda row: row[0])
def test_every_cell_names_tests_that_exist(row: list[str]) -> None:
    assert len(row) == len(table()[0])
    cells = named(row)
    assert all(cells)
    assert [test for cell in cells for test in cell if test not in collected()] == []


@pytest.mark.parametrize("row", table()[1], ids=lambda row: row[0])
def test_a_cell_names_every_case_of_its_command(row: list[str]) -> None:
    for command, cell in zip(table()[0][2:], named(row), strict=True):
        wanted = {case for case in CASES if f"`{case.removesuffix(' --overwrite')}`" == command}
        assert {re.sub(r".*\[(?:[a-z_]+-)?(.*)\]", r"\1", test) for test in cell} == wanted


def test_every_command_that_writes_is_a_column() -> None:
    commands = dict(get_command(app).commands)  # type: ignore[attr-defined]
    of_day = commands.pop("day").commands
    commands |= {f"day {name}": command for name, command in of_day.items()}
    writers = {
        f"`{name}{words}`"
        for name, command in commands.items()
        for parameter, words in WRITES.items()
        if parameter in {one.name for one in command.params}
    }
    assert len(writers) > 1
    assert writers == set(table()[0][2:])

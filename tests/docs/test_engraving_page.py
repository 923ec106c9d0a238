"""Every convention of docs/engraving.md names a test that is there."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "engraving.md").read_text(encoding="utf-8")
SOURCES = {"L", "G", "C"}


def rows(columns: int) -> list[list[str]]:
    """Rows of the page's tables of so many columns, but for their heads."""
    lines = [line for line in PAGE.splitlines() if line.startswith("| ")]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    return [row for row in cells if len(row) == columns and row[0] != "what"]


def test_about_forty_conventions_are_kept_and_what_is_not_says_why():
    assert len(rows(4)) >= 40
    assert all(reason for *_, reason in rows(3))


def test_every_convention_says_who_asks_for_it():
    for _, asked, *_ in [*rows(4), *rows(3)]:
        assert set(asked.split(", ")) <= SOURCES, asked


def test_every_test_that_a_convention_names_is_there():
    code = "\n".join(path.read_text(encoding="utf-8") for path in ROOT.glob("tests/**/test_*.py"))
    there = set(re.findall(r"^def (test_\w+)\(", code, re.MULTILINE))
    for what, *_, held in rows(4):
        named = re.findall(r"`(test_\w+)`", held)
        assert named, what
        assert set(named) <= there, what

"""What DEVELOPERS.md says of the code is there."""

import importlib
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
DOTTED = sorted(set(re.findall(r"`(retro(?:\.\w+)+)`", TEXT)))
PATHS = sorted(set(re.findall(r"`((?:retro|tests|docs|examples)/[\w./]+)`", TEXT)))


def section(title: str) -> str:
    return TEXT.split(f"## {title}\n")[1].split("\n## ")[0]


def rows(title: str) -> list[str]:
    return [line for line in section(title).splitlines() if line.startswith("| ")][1:]


@pytest.mark.parametrize("name", DOTTED)
def test_what_it_names_can_be_found(name: str) -> None:
    parts = name.split(".")
    for length in range(len(parts), 0, -1):
        try:
            found: object = importlib.import_module(".".join(parts[:length]))
        except ModuleNotFoundError:
            continue
        for part in parts[length:]:
            found = getattr(found, part)
        return
    pytest.fail(name)


@pytest.mark.parametrize("path", [path for path in PATHS if "NAME" not in path])
def test_where_it_leads_is_something(path: str) -> None:
    assert (ROOT / path).exists()


def test_a_note_has_few_shapes_and_the_glossary_few_terms() -> None:
    assert 5 < len(rows("From MIDI to MusicXML")) <= 13
    terms = [row.split("|")[1].strip() for row in rows("Glossary")]
    assert 20 < len(terms) <= 40
    assert terms == sorted(terms, key=str.lower)


def test_it_says_how_to_add_six_things() -> None:
    headings = re.findall(r"^\*\*(.*)\.\*\*$", section("How to add"), re.MULTILINE)
    assert headings == [
        "An instrument", "A track name", "A finding", "A placement row", "A setting", "A command",
    ]  # fmt: skip
    for addition in section("How to add").split("\n**")[1:]:
        assert "\n1. `" in addition
        assert re.search(r"^Tests: `tests/", addition, re.MULTILINE)

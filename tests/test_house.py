"""The house keeps to its own measures: modules and functions that a reader can hold in mind."""

import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MODULES = sorted((ROOT / "retro").rglob("*.py"))
MAX_LINES = 450
MAX_COMPLEXITY = 12


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_module_is_too_long(path: Path) -> None:
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= MAX_LINES


def test_no_function_is_too_complex() -> None:
    lint = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["ruff"][
        "lint"
    ]
    assert "C90" in lint["select"]
    assert lint["mccabe"]["max-complexity"] <= MAX_COMPLEXITY
    assert not [path for path in MODULES if "C901" in path.read_text(encoding="utf-8")]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_docstrings_and_limits_read_as_the_conventions_say(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert '"""Give ' not in text
    assert not re.search(
        r"^(MOST|FEWEST|LARGEST|HIGHEST|LOWEST|WIDEST|DEEPEST|LONGEST|SLOWEST|FASTEST)_",
        text,
        re.MULTILINE,
    )

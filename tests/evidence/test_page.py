"""The page of evidence is renewed table by table: what did not run, stays."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.evidence import conftest
from tests.evidence.conftest import BEGIN, END, PAGE, renewed

PITCH = """
import pytest

def test_one(record_evidence):
    record_evidence(what="one", source="a table", expected=1, found=1)

def test_two(record_evidence):
    record_evidence(what="two", source="a table", expected=2, found=2)
"""
RANGES = """
def test_three(record_evidence):
    record_evidence(what="three", source="a book", expected=3, found=3)
"""
SKIPS = """
import pytest

def test_four(record_evidence):
    record_evidence(what="four", source="a book", expected=4, found=4)

@pytest.mark.skip(reason="no orchestra here")
def test_five(record_evidence):
    record_evidence(what="five", source="a book", expected=5, found=5)
"""
OLD = f"""# Evidence

By hand: 7 ms.

{BEGIN}

### Pitch

| what | source | expected | found |
|---|---|---|---|
| old pitch | a table | 1 | 1 |

### Skips

| what | source | expected | found |
|---|---|---|---|
| old skips | a book | 4 | 4 |

{END}

After.
"""


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """A project with a page and three modules of evidence."""
    tests = tmp_path / "tests" / "evidence"
    tests.mkdir(parents=True)
    shutil.copy(conftest.__file__, tests / "conftest.py")
    for name, text in (("pitch", PITCH), ("ranges", RANGES), ("skips", SKIPS)):
        (tests / f"test_{name}.py").write_text(text, encoding="utf-8")
    (tmp_path / "docs").mkdir()
    (tmp_path / "docs" / "evidence.md").write_text(OLD, encoding="utf-8")
    return tmp_path


def run(house: Path, *arguments: str) -> tuple[int, str]:
    """Run the evidence of the project; return the exit code and the page after it."""
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--write-evidence"]
    done = subprocess.run([*command, *arguments], cwd=house, capture_output=True, check=False)
    return done.returncode, (house / "docs" / "evidence.md").read_text(encoding="utf-8")


def test_one_module_replaces_its_own_rows_alone(house: Path) -> None:
    code, page = run(house, "tests/evidence/test_pitch.py")
    assert code == 0
    assert "| one | a table | 1 | 1 |\n| two | a table | 2 | 2 |" in page
    assert "old pitch" not in page
    assert "old skips" in page
    assert page.startswith("# Evidence\n\nBy hand: 7 ms.\n")
    assert page.endswith(f"{END}\n\nAfter.\n")


def test_a_new_module_is_put_in_order_of_names(house: Path) -> None:
    _, page = run(house, "tests/evidence/test_ranges.py")
    headings = [line for line in page.splitlines() if line.startswith("### ")]
    assert headings == ["### Pitch", "### Ranges", "### Skips"]


@pytest.mark.parametrize(
    "arguments",
    [
        ["tests/evidence/test_pitch.py::test_two"],
        ["tests/evidence/test_pitch.py", "-k", "two"],
        ["tests/evidence/test_skips.py"],
    ],
    ids=["by name", "by a word", "skipped"],
)
def test_a_module_that_ran_in_part_keeps_its_rows(house: Path, arguments: list[str]) -> None:
    code, page = run(house, *arguments)
    assert code == 0
    assert page == OLD


def test_workers_that_would_write_one_page_at_once_are_refused(house: Path) -> None:
    code, page = run(house, "-n", "2")
    assert code == 4
    assert page == OLD


def test_the_page_of_the_project_stays_as_it_is_when_nothing_ran() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert renewed(page, {}) == page

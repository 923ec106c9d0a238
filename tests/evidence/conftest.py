"""Keeps what the checks against the outside found, and writes it into docs/evidence.md when asked.

``python -m pytest tests/evidence --write-evidence`` replaces what stands between the two marks of
the page; what was measured by hand stands outside them.
"""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

PAGE = Path(__file__).parents[2] / "docs" / "evidence.md"
BEGIN, END = "<!-- found by the tests: begin -->", "<!-- found by the tests: end -->"
HEAD = "| what | source | expected | found |\n|---|---|---|---|\n"

Row = tuple[str, str, str, str]
Record = Callable[..., None]

rows_key = pytest.StashKey[dict[str, list[Row]]]()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--write-evidence", action="store_true", help="write what was found into docs/evidence.md"
    )


def pytest_configure(config: pytest.Config) -> None:
    config.stash[rows_key] = {}


@pytest.fixture
def record_evidence(request: pytest.FixtureRequest) -> Iterator[Record]:
    """Keep one line of evidence; it counts if the test passes."""
    kept: list[Row] = []

    def record(*, what: str, source: str, expected: object, found: object) -> None:
        kept.append((what, source, str(expected), str(found)))

    failed = request.session.testsfailed
    yield record
    if request.session.testsfailed == failed:
        request.config.stash[rows_key].setdefault(request.node.nodeid, []).extend(kept)


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    if session.config.getoption("--write-evidence", default=False) and exitstatus == 0:
        PAGE.write_text(
            renewed(PAGE.read_text(encoding="utf-8"), session.config.stash[rows_key]),
            encoding="utf-8",
        )


def renewed(page: str, found: dict[str, list[Row]]) -> str:
    """Give the page with the table of what was found; the order is that of the files and tests."""
    before, _, rest = page.partition(BEGIN)
    _, _, after = rest.partition(END)
    sections: dict[str, list[Row]] = {}
    for node, rows in found.items():
        sections.setdefault(Path(node.split("::")[0]).stem.removeprefix("test_"), []).extend(rows)
    tables = [
        f"### {name.replace('_', ' ').capitalize()}\n\n{HEAD}{''.join(map(_line, rows))}"
        for name, rows in sorted(sections.items())
    ]
    return f"{before}{BEGIN}\n\n" + "\n".join(tables) + f"\n{END}{after}"


def _line(row: Row) -> str:
    cells = (" ".join(cell.replace("|", "\\|").split()) for cell in row)
    return f"| {' | '.join(cells)} |\n"

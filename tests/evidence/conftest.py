"""Keeps what the checks against the outside found, and writes it into docs/evidence.md when asked.

``python -m pytest tests/evidence --write-evidence`` replaces the tables of modules that ran whole
and passed; every other table stays, and so does what was measured by hand, outside the marks.
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping
from pathlib import Path

import pytest

PAGE = Path(__file__).parents[2] / "docs" / "evidence.md"
BEGIN, END = "<!-- found by the tests: begin -->", "<!-- found by the tests: end -->"
HEADING = "### "
HEAD = "| what | source | expected | found |\n|---|---|---|---|\n"

Row = tuple[str, str, str, str]
Record = Callable[..., None]


class Found:
    """The rows by test module, and the modules of which only a part ran."""

    def __init__(self) -> None:
        self.rows: dict[str, list[Row]] = defaultdict(list)
        self.in_part: set[str] = set()

    def of_whole_modules(self) -> dict[str, list[Row]]:
        """Rows of the modules that ran whole."""
        return {name: rows for name, rows in self.rows.items() if name not in self.in_part}


found_key = pytest.StashKey[Found]()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--write-evidence", action="store_true", help="write what was found into docs/evidence.md"
    )


def pytest_configure(config: pytest.Config) -> None:
    config.stash[found_key] = Found()
    if _is_writing(config) and getattr(config.option, "numprocesses", None):
        raise pytest.UsageError("--write-evidence writes one page: run it without -n")


def pytest_itemcollected(item: pytest.Item) -> None:
    if any("::" in argument for argument in item.config.args):
        item.config.stash[found_key].in_part.add(_module(item.nodeid))


def pytest_deselected(items: Collection[pytest.Item]) -> None:
    for item in items:
        item.config.stash[found_key].in_part.add(_module(item.nodeid))


@pytest.fixture
def record_evidence(request: pytest.FixtureRequest) -> Iterator[Record]:
    """Keep one line of evidence; it counts if the test passes."""
    kept: list[Row] = []

    def record(*, what: str, source: str, expected: object, found: object) -> None:
        kept.append((what, source, str(expected), str(found)))

    failed = request.session.testsfailed
    yield record
    if request.session.testsfailed == failed:
        request.config.stash[found_key].rows[_module(request.node.nodeid)].extend(kept)


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Iterator[None]:
    outcome = yield
    if outcome.get_result().skipped:  # type: ignore[attr-defined]
        item.config.stash[found_key].in_part.add(_module(item.nodeid))


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    if _is_writing(session.config) and exitstatus == 0:
        found = session.config.stash[found_key].of_whole_modules()
        PAGE.write_text(renewed(PAGE.read_text(encoding="utf-8"), found), encoding="utf-8")


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, exitstatus: int, config: pytest.Config
) -> None:
    found = config.stash[found_key]
    kept = sorted(found.in_part & set(found.rows))
    if _is_writing(config) and exitstatus == 0 and kept:
        terminalreporter.write_line(f"ran in part, evidence kept as it was: {', '.join(kept)}")


def renewed(page: str, found: Mapping[str, list[Row]]) -> str:
    """Return the page with the tables of some modules replaced or added, in order of name."""
    before, _, rest = page.partition(BEGIN)
    between, _, after = rest.partition(END)
    tables: dict[str, str] = {}
    for section in between.strip().split(f"\n{HEADING}"):
        name, _, body = section.removeprefix(HEADING).partition("\n")
        if name:
            tables[name] = body.strip()
    for module, rows in found.items():
        tables[module.replace("_", " ").capitalize()] = HEAD + "".join(map(_line, rows)).strip()
    sections = [f"{HEADING}{name}\n\n{body}\n" for name, body in sorted(tables.items())]
    return f"{before}{BEGIN}\n\n" + "\n".join(sections) + f"\n{END}{after}"


def _is_writing(config: pytest.Config) -> bool:
    return bool(config.getoption("--write-evidence", default=False))


def _module(node: str) -> str:
    return Path(node.split("::", maxsplit=1)[0]).stem.removeprefix("test_")


def _line(row: Row) -> str:
    cells = (" ".join(cell.replace("|", "\\|").split()) for cell in row)
    return f"| {' | '.join(cells)} |\n"

"""The lines that `tests.evidence.mutants` breaks are still there, each exactly once."""

import tomllib

import pytest

from tests.evidence.mutants import MUTANTS, ROOT, TESTS


@pytest.mark.parametrize(
    "mutant",
    tomllib.loads(MUTANTS.read_text(encoding="utf-8"))["mutant"],
    ids=lambda mutant: f"{mutant['file']}: {mutant['old'][:40]!r}",
)
def test_the_line_that_is_broken_stands_once(mutant) -> None:
    source = (ROOT / mutant["file"]).read_text(encoding="utf-8")
    assert source.count(mutant["old"]) == 1
    assert mutant["room"] in TESTS


def test_every_test_of_a_room_is_there() -> None:
    assert all((ROOT / path).is_file() for paths in TESTS.values() for path in paths)

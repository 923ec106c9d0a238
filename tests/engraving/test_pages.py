"""Every page of the example, the studies and the hard files is looked at by the page checker."""

from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from retro.model.settings import PaperSize
from retro.plan.compose import plan_song
from retro.read.settings import beside, load_settings
from retro.read.target import read_song
from tests.engraving.page_checker.look import Looked, look_at_plan

EXAMPLES = Path(__file__).parents[2] / "examples"
STUDIES = sorted((EXAMPLES / "studies").glob("*.mid"))
HARD = sorted((EXAMPLES / "studies" / "hard").glob("*.mid"))

STILL_WRONG: dict[str, dict[str, int]] = {}
"""Findings that stand, by file: no more may come, and whoever mends some lowers the figure."""


def looked_at(path: Path, **changes: object) -> Looked:
    settings = load_settings(beside(path), {})
    return look_at_plan(plan_song(read_song(path), replace(settings, **changes)))


def said(looked: Looked) -> str:
    return "\n".join(map(str, looked.findings))


def check(path: Path, looked: Looked) -> None:
    kinds = Counter(finding.kind for finding in looked.findings)
    known = STILL_WRONG.get(path.stem, {})
    assert all(count <= known.get(kind, 0) for kind, count in kinds.items()), said(looked)


@pytest.mark.parametrize("paper", PaperSize)
def test_the_pages_of_the_example_have_no_new_findings(paper):
    path = EXAMPLES / "harbour_pageant.mid"
    looked = looked_at(path, paper=paper)
    assert looked.pages >= 20
    check(path, looked)


@pytest.mark.parametrize("path", [*STUDIES, *HARD], ids=lambda path: path.stem)
def test_the_pages_of_the_studies_have_no_new_findings(path):
    looked = looked_at(path)
    assert looked.pages >= 2
    check(path, looked)


def test_there_are_studies_and_hard_files():
    assert len(STUDIES) == 6
    assert len(HARD) == 9
    assert set(STILL_WRONG) <= {path.stem for path in [*STUDIES, *HARD]} | {"harbour_pageant"}

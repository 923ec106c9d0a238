"""When heads begin and end, against the engraver's own list of moments (verovio's timemap)."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from fractions import Fraction

import pytest
import verovio

from retro.model.settings import Settings
from retro.musicxml.moments import Moment, moments
from retro.pack.copyist import copy_out
from retro.plan.compose import plan_file
from tests.example import EXAMPLES, TARGET
from tests.notation.written import without_graces

SLACK_BEATS = 0.001
"""The engraver's moments are rounded."""


def by_head(found: Iterable[Moment]) -> dict[str, list[float]]:
    """Return the begin and the end of every head."""
    spans: dict[str, list[float]] = defaultdict(list)
    for beats, on, off in found:
        for name in (*off, *on):
            spans[name].append(float(beats))
    return spans


def of_engraver(musicxml: bytes) -> Iterator[Moment]:
    verovio.enableLog(verovio.LOG_OFF)
    engraver = verovio.toolkit()
    assert engraver.loadData(musicxml.decode())
    for moment in engraver.renderToTimemap({}):
        yield Fraction(moment["qstamp"]), tuple(moment.get("on", ())), tuple(moment.get("off", ()))


STUDIES = sorted((EXAMPLES / "studies").glob("*.mid"))


@pytest.mark.parametrize("path", [TARGET, *STUDIES], ids=lambda path: path.stem)
def test_heads_begin_and_end_when_the_engraver_says(path) -> None:
    xml = copy_out(plan_file(path, Settings())).xml
    for document in (without_graces(each)[0] for each in (xml.score, *xml.parts)):
        ours, theirs = by_head(moments(document)), by_head(of_engraver(document))
        assert ours.keys() == theirs.keys()
        assert ours
        for name, span in ours.items():
            assert theirs[name] == pytest.approx(span, abs=SLACK_BEATS), name

"""Pages of a score whose later systems are lower than the first: silent staves are left out."""

from retro.engraving.engrave import LaidOut, Sheet, lay_out
from retro.engraving.layout import GOOD_SCORE_STAFF_MM, Kind
from retro.engraving.pictures import measure
from retro.model.settings import PaperSize
from tests.engraving.paper_material import REST, attributes, document, note

FAMILY = '<part-group number="1" type="start"><group-symbol>bracket</group-symbol></part-group>'
END = '<part-group number="1" type="stop"/>'
BARS = 24


def laid_out(silent: int, playing: int) -> LaidOut:
    """A score of two families, the first of which is silent from bar 5 on."""
    played = "".join(note("E", 5, 6) for _ in range(8))
    parts = []
    for stave in range(silent + playing):
        bars = [REST if stave < silent and bar >= 4 else played for bar in range(BARS)]
        bars[0] = attributes(0, opening=True) + bars[0]
        parts.append((f"Player {stave}", f"P. {stave}", bars))
    text = document(parts).decode()
    text = text.replace("<part-list>", f"<part-list>{FAMILY}")
    between = f'<score-part id="P{silent}">'
    text = text.replace(between, f"{END}{FAMILY}{between}")
    return lay_out(
        Sheet(
            musicxml=text.replace("</part-list>", f"{END}</part-list>").encode(),
            kind=Kind.SCORE,
            paper=PaperSize.A4,
            song="Study",
            insert="Insert A",
            player="Score",
        )
    )


def shares(laid: LaidOut) -> list[float]:
    """How much of its page each system takes."""
    return [
        measure(picture, laid.frame).height_mm / laid.paper.music_height_mm(first=index == 0)
        for index, picture in enumerate(laid.pictures)
    ]


def test_systems_of_half_a_page_stand_in_pairs_where_they_stay_large() -> None:
    laid = laid_out(2, 9)
    assert laid.frame.staff_mm >= GOOD_SCORE_STAFF_MM
    assert len(laid.pages) < len(laid.pictures)
    assert max(len(page.tops_mm) for page in laid.pages) == 2


def test_a_system_that_has_more_than_half_a_page_is_spread_over_it() -> None:
    laid = laid_out(2, 11)
    assert all(len(page.tops_mm) == 1 for page in laid.pages)
    assert min(shares(laid)) > 0.66

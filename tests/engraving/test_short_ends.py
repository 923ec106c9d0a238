"""A part does not turn to a page on which little stands, where lines can be drawn closer."""

from retro.engraving.engrave import Sheet, lay_out
from retro.engraving.layout import Kind
from retro.engraving.pictures import bar_widths_mm
from retro.model.settings import PaperSize
from tests.engraving.paper_material import attributes, document, note


def test_thirty_bars_that_nearly_fit_stand_on_one_page() -> None:
    # The turn would be no rest (librarians' guidelines: turn in rests, from memory).
    bar = "".join(note("E", 5, 6) for _ in range(4)) + "".join(note("E", 5, 12) for _ in range(2))
    laid = lay_out(
        Sheet(
            musicxml=document([("Flute", "Fl.", [attributes(0, opening=True) + bar, *[bar] * 29])]),
            kind=Kind.PART,
            paper=PaperSize.A4,
            song="Study",
            insert="Insert A",
            player="Flute",
        )
    )
    assert len(laid.pages) == 1
    narrowest_mm = min(min(bar_widths_mm(picture, laid.frame)) for picture in laid.pictures)
    assert narrowest_mm / 6 > 4.0, "heads of 2.5 mm keep a head's width between them"

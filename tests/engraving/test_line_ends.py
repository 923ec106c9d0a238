"""Words over the end of a line take no room behind its last note."""

import pytest

from retro.engraving.engrave import Sheet, lay_out
from retro.engraving.layout import Kind
from retro.engraving.pictures import bar_widths_mm
from retro.model.settings import PaperSize
from tests.engraving.page_checker.ink import read_picture
from tests.engraving.paper_material import attributes, document, note, words


@pytest.mark.parametrize("said", ["off before the end", "damp at the end"])
def test_the_last_bar_is_no_wider_for_words_at_its_end(said: str) -> None:
    bar = "".join(note("B", 4, 12) for _ in range(4))
    last = "".join(note("B", 4, 12) for _ in range(3)) + words(said) + note("B", 4, 12)
    bars = [attributes(0, opening=True) + bar, *[bar] * 7, last]
    laid = lay_out(
        Sheet(
            musicxml=document([("Flute", "Fl.", bars)]),
            kind=Kind.PART,
            paper=PaperSize.A4,
            song="Study",
            insert="Insert A",
            player="Flute",
        )
    )
    *_, neighbour, width = bar_widths_mm(laid.pictures[-1], laid.frame)
    assert width < 1.1 * neighbour
    ink = read_picture(laid.pictures[-1]).ink
    end = max(shape.box[2] for shape in ink if shape.kind == "staff line")
    assert all(shape.box[2] <= end for shape in ink if shape.kind == "words")

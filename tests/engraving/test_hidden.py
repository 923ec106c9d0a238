"""The engraver hides silent staves; what stands over the system stays, and stays at its bar."""

import re

from retro.engraving.engrave import Sheet, lay_out
from retro.engraving.layout import Kind
from retro.model.settings import PaperSize
from tests.engraving.page_checker.ink import read_picture
from tests.engraving.paper_material import REST, TEMPO, attributes, document, note

BARS = 24
SILENT_FROM = 8
FAMILY = '<part-group number="1" type="start"><group-symbol>bracket</group-symbol></part-group>'
END = '<part-group number="1" type="stop"/>'


def score() -> bytes:
    """A flute that falls silent, and two oboes; a tempo every sixth bar, a box every fifth."""
    played = "".join(note("E", 5, 6) for _ in range(8))
    staves = [[], []]
    for bar in range(1, BARS + 1):
        box = (
            '<direction placement="above"><direction-type><rehearsal enclosure="rectangle">'
            f"A{bar}</rehearsal></direction-type></direction>"
        )
        over = (box if bar % 5 == 0 else "") + (TEMPO if bar % 6 == 4 else "")
        opening = attributes(0, opening=True) if bar == 1 else ""
        staves[0].append(opening + over + (played if bar < SILENT_FROM else REST))
        staves[1].append(opening + played)
    text = document(
        [("Flute", "Fl.", staves[0]), ("Oboe", "Ob.", staves[1]), ("Oboe 2", "Ob. 2", staves[1])]
    ).decode()
    text = text.replace("<part-list>", f"<part-list>{FAMILY}")
    text = text.replace('<score-part id="P1">', f'{END}{FAMILY}<score-part id="P1">')
    return text.replace("</part-list>", f"{END}</part-list>").encode()


def systems() -> tuple[str, ...]:
    return lay_out(
        Sheet(
            musicxml=score(),
            kind=Kind.SCORE,
            paper=PaperSize.A4,
            song="Study",
            insert="Insert A",
            player="Score",
        )
    ).pictures


def test_over_a_hidden_stave_stand_tempo_numbers_and_boxes_on_the_next_one() -> None:
    pictures = systems()
    drawn = "".join(pictures)
    staves = [picture.count('class="staff"') for picture in pictures]
    bars = [picture.count('class="measure') for picture in pictures]
    assert staves[0] == 3 * bars[0]
    assert staves[-1] == 2 * bars[-1], "the engraver hides the flute"
    printed = re.findall(r">\s*\xa0*(A[0-9]+)\xa0*\s*<", drawn)
    assert sorted(printed, key=lambda number: int(number[1:])) == [
        f"A{bar}" for bar in range(1, BARS + 1)
    ]
    assert drawn.count("= 66") == len(range(4, BARS + 1, 6))


def test_over_a_hidden_stave_a_box_stands_at_its_own_bar_line() -> None:
    (picture,) = (drawn for drawn in systems() if "A15" in drawn)
    ink = read_picture(picture).ink
    _, *lines = sorted({shape.box[0] for shape in ink if shape.kind == "bar line"})
    marks = [shape.box for shape in ink if shape.kind == "rehearsal mark"]
    box = max(marks, key=lambda mark: mark[2] - mark[0])
    assert any(box[0] < line < box[2] for line in lines)

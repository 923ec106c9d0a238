"""The boxed letter stands clear of heads and ledger lines, above the staff or above the ink."""

import re
from collections.abc import Iterator
from fractions import Fraction
from itertools import count, product

import pytest
from lxml import etree

from retro.engraving.engrave import Sheet, lay_out
from retro.engraving.layout import Kind
from retro.model.instruments import Clef
from retro.model.settings import PaperSize, Settings
from retro.model.time import Meter
from retro.musicxml.document import insert_musicxml
from retro.notation.score import Stave, Voice
from tests.engraving.page_checker.ink import read_picture
from tests.engraving.paper_material import REST, attributes, document, note, words
from tests.notation.written import HEADING, bars_of, chord_of, part_of, phrase_of

SVG = "{http://www.w3.org/2000/svg}"

SPACE = 180
"""Between two staff lines, in the engraver's picture."""

HEAD = (0, -SPACE / 2, 1.2 * SPACE, SPACE / 2)
"""A quarter's head about its place."""

Box = tuple[float, float, float, float]


def music(letter: str, octave: int, bars_before: int) -> bytes:
    """Bars of rest, a double bar, and a boxed letter over the first of some bars of notes."""
    boxed = (
        '<direction placement="above"><direction-type><rehearsal enclosure="rectangle">'
        f"{letter}</rehearsal></direction-type></direction>"
    )
    bar = "".join(note("E", octave, 24) for _ in range(2))
    double = '<barline location="right"><bar-style>light-light</bar-style></barline>'
    bars = [f"{REST}{words(str(n))}" for n in range(bars_before)] + [boxed + bar, bar, bar]
    bars[bars_before - 1] += double
    bars[0] = attributes(0, opening=True) + bars[0]
    return document([("Flute", "Fl.", bars)])


def numbers(text: str) -> list[float]:
    return [float(number) for number in re.findall(r"-?[0-9.]+", text)]


def ink(picture: etree._Element) -> Iterator[Box]:
    """Yield heads and ledger lines."""
    for group in picture.iter(f"{SVG}g"):
        kind = group.get("class", "")
        if kind == "notehead":
            x, y = numbers(group[0].get("transform", ""))[:2]
            yield x + HEAD[0], y + HEAD[1], x + HEAD[2], y + HEAD[3]
        elif "ledger" in kind.lower():
            for line in group.iter(f"{SVG}path"):
                x, y, end, _ = numbers(line.get("d", ""))
                yield x, y, end, y


def boxes(picture: etree._Element) -> Iterator[Box]:
    for box in picture.iterfind(f".//{SVG}g[@class='reh']/{SVG}rect"):
        x, y, w, h = (float(box.get(key, "")) for key in ("x", "y", "width", "height"))
        yield x, y, x + w, y + h


def gap(a: Box, b: Box) -> float:
    """Distance between two boxes along the axis where it is larger; below 0 they overlap."""
    across = max(a[0] - b[2], b[0] - a[2])
    along = max(a[1] - b[3], b[1] - a[3])
    return max(across, along)


@pytest.mark.parametrize("paper", list(PaperSize))
@pytest.mark.parametrize(("letter", "bars_before"), list(product(("A", "A13", "Q"), (1, 2, 3))))
def test_a_boxed_letter_is_clear_of_the_notes(
    paper: PaperSize, letter: str, bars_before: int
) -> None:
    for octave in (4, 5, 6, 7):
        laid = lay_out(
            Sheet(
                musicxml=music(letter, octave, bars_before),
                kind=Kind.PART,
                paper=paper,
                song="Study",
                insert="Insert A",
                player="Flute",
            )
        )
        pictures = [etree.fromstring(picture.encode()) for picture in laid.pictures]
        found = [(box, other) for p in pictures for box in boxes(p) for other in ink(p)]
        assert len(found) >= 4
        assert min(gap(box, other) for box, other in found) > SPACE / 4


def test_letters_over_the_strings_stand_between_them_and_what_is_above() -> None:
    voices = (Voice(chords=(chord_of(0, 4, note=n),)) for n in count())
    harp = tuple(
        Stave(voices=(next(voices),), clefs=((Fraction(0), clef),))
        for clef in (Clef.TREBLE, Clef.BASS)
    )
    winds = ("flute", "oboe", "bassoon", "trumpet-in-c")
    insert = insert_musicxml(
        [
            *(part_of(next(voices), id_=id_) for id_ in winds),
            part_of(staves=harp, id_="harp"),
            *(part_of(next(voices), id_=id_) for id_ in ("violins", "cellos")),
        ],
        heading=HEADING,
        insert=phrase_of(bars_of(*[Meter.plain(4, 4)] * 2)),
        settings=Settings(),
    )
    (picture,) = lay_out(
        Sheet(
            musicxml=insert.score,
            kind=Kind.SCORE,
            paper=PaperSize.A4,
            song="Study",
            insert="Insert A",
            player="Score",
        )
    ).pictures
    shapes = read_picture(picture).ink
    lines = sorted({shape.box[1] for shape in shapes if shape.kind == "staff line"})
    letters = sorted(shape.box for shape in shapes if shape.kind == "rehearsal mark")
    lowest = max(box[3] for box in letters)
    assert len(lines) == 5 * 8
    assert min(box[3] for box in letters) < lines[0]
    assert lines[29] < lowest < lines[30]

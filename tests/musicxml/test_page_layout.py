"""Documents say how they are printed and how they sound, for other programs."""

import re

import pytest
from lxml import etree
from music21 import instrument as m21

from retro.engraving.engrave import lay_out
from retro.engraving.engraver_input import ready
from retro.model.orchestra import INSTRUMENTS
from retro.model.settings import PaperSize, Settings
from retro.musicxml.page_layout import PageLayout, with_layout
from retro.musicxml.sounds import SOUNDS, sound_id
from retro.pack.copyist import copy_out, sheets
from retro.plan.compose import plan_file
from tests.evidence.musicxml_schema import musicxml_schema
from tests.example import TARGET
from tests.notation.written import harp, written

LAYOUT = PageLayout(
    width_mm=210.0,
    height_mm=297.0,
    margin_mm=20.0,
    staff_mm=8.0,
    title_mm=42.0,
    systems=("click 1", "A1"),
    pages=("click 1", "A1"),
    advice=("let the room ring",),
)


def test_paper_staves_and_pages_are_said_in_tenths() -> None:
    # MusicXML 4.0, ``scaling``: so many millimetres are so many tenths; a staff is 40 tenths.
    root = etree.fromstring(with_layout(written(harp()).score, LAYOUT))
    scaling = root.find("defaults/scaling")
    assert scaling is not None
    tenth_mm = float(scaling.findtext("millimeters")) / float(scaling.findtext("tenths"))
    assert 40 * tenth_mm == pytest.approx(8.0)
    assert float(root.findtext(".//page-width")) * tenth_mm == pytest.approx(210.0, abs=0.05)
    assert float(root.findtext(".//page-height")) * tenth_mm == pytest.approx(297.0, abs=0.05)
    for part in root.iterfind("part"):
        prints = {
            measure.get("number"): dict(measure.find("print").attrib)
            for measure in part.iterfind("measure")
            if measure.find("print") is not None
        }
        assert prints == {"click 1": {}, "A1": {"new-page": "yes"}}


def test_the_words_of_the_title_stand_one_below_the_other() -> None:
    root = etree.fromstring(with_layout(written(harp()).score, LAYOUT))
    words = root.findall("credit/credit-words")
    assert [w.text for w in words][-1] == "let the room ring"
    height = [float(w.get("default-y")) for w in words if w.get("justify") == "center"]
    assert height == sorted(set(height), reverse=True)
    assert all(0 < float(w.get("default-x")) < 1050 for w in words)


def test_our_own_pages_do_not_depend_on_it() -> None:
    bare = written(harp()).score
    assert ready(with_layout(bare, LAYOUT), alone=False).staves == ready(bare, alone=False).staves
    laid = etree.fromstring(ready(with_layout(bare, LAYOUT), alone=False).musicxml.encode())
    assert not list(laid.iter("defaults", "print", "credit"))


@pytest.mark.parametrize("paper", [PaperSize.A4])
def test_every_paper_of_the_example_is_valid_and_names_the_lines_of_its_pages(
    paper: PaperSize,
) -> None:
    plan = plan_file(TARGET, Settings(paper=paper))
    schema = musicxml_schema()
    for _, sheet in list(sheets(plan, copy_out(plan)))[:4]:
        laid = lay_out(sheet)
        document = etree.fromstring(sheet.musicxml)
        numbers = [m.get("number") for m in document.find("part").iterfind("measure")]
        assert laid.opens[0] == numbers[0]
        assert [n for n in numbers if n in laid.opens] == list(laid.opens)
        schema.assertValid(etree.fromstring(sheet.musicxml))


def test_a_document_with_a_layout_is_valid() -> None:
    musicxml_schema().assertValid(etree.fromstring(with_layout(written(harp()).score, LAYOUT)))


def test_every_pitched_player_has_a_sound_of_the_standards_list() -> None:
    carried = {
        sound
        for kind in vars(m21).values()
        if isinstance(kind, type) and issubclass(kind, m21.Instrument)
        if (sound := getattr(kind(), "instrumentSound", None))
    }
    assert len(carried & set(SOUNDS.values())) >= 30
    for instrument in INSTRUMENTS:
        if instrument.is_unpitched or instrument.id == "neutral":
            continue
        sound = sound_id(instrument)
        assert re.fullmatch(r"[a-z-]+(\.[a-z-]+)+", sound), instrument.id
        # A kind that music21 does not carry is one of a kind that it does.
        assert sound in carried or sound.split(".")[0] in {s.split(".")[0] for s in carried}

"""Strokes without a pitch: a percussion stave, places by General MIDI's percussion map, crosses."""

import pytest
import verovio
from lxml import etree

from retro.model.instruments import Clef
from retro.model.orchestra import INSTRUMENTS, by_id
from retro.model.phrase import Key
from retro.model.time import Meter
from tests.evidence.musicxml_schema import musicxml_schema
from tests.notation.written import bars_of, performed, phrase_of, written

UNPITCHED = {
    "triangle", "snare-drum", "cymbals", "suspended-cymbal", "tam-tam", "bass-drum", "percussion",
}  # fmt: skip

KIT = {
    36: ("F", "4", None),
    38: ("C", "5", None),
    41: ("A", "4", None),
    45: ("D", "5", None),
    50: ("E", "5", None),
    44: ("D", "4", "x"),
    42: ("G", "5", "x"),
    51: ("F", "5", "x"),
    49: ("A", "5", "x"),
    81: ("B", "4", None),  # open triangle: no place of its own
}


def part_of(id_: str, *keys: int, sharps: int = 0) -> bytes:
    """Write one bar in which some keys are struck one after the other."""
    bars = bars_of(Meter.plain(4, 4), Meter.plain(4, 4), Meter.plain(4, 4))
    line = [(place, place + 1, key) for place, key in enumerate(keys)]
    performance = performed(phrase_of(bars, line, key=Key(sharps)), id_)
    return written(performance).parts[0]


def heads(document: bytes) -> list[tuple[str | None, str | None, str | None]]:
    """Give step, octave and shape of every head."""
    return [
        (
            stroke.findtext("display-step"),
            stroke.findtext("display-octave"),
            stroke.getparent().findtext("notehead"),
        )
        for stroke in etree.fromstring(document).iter("unpitched")
    ]


def test_these_instruments_have_no_pitch() -> None:
    assert {each.id for each in INSTRUMENTS if each.is_unpitched} == UNPITCHED
    assert by_id("timpani").clefs == (Clef.BASS,)


@pytest.mark.parametrize("id_", sorted(UNPITCHED - {"percussion"}))
def test_one_instrument_stands_on_the_middle_line_without_clef_or_key(id_: str) -> None:
    document = part_of(id_, 38, 57, 81, sharps=-3)
    root = etree.fromstring(document)
    assert heads(document) == [("B", "4", None)] * 3
    assert root.findtext(".//clef/sign") == "percussion"
    assert root.find(".//clef/line") is None
    assert {fifths.text for fifths in root.iter("fifths")} == {"0"}
    assert root.find(".//pitch") is None
    assert root.find(".//accidental") is None


def test_several_instruments_have_a_place_each_and_cymbals_have_crosses() -> None:
    for key, place in KIT.items():
        assert heads(part_of("percussion", key)) == [place], key


def test_drums_struck_together_are_one_chord() -> None:
    bars = bars_of(Meter.plain(4, 4))
    both = [(0, 1, 36), (0, 1, 42)]
    root = etree.fromstring(written(performed(phrase_of(bars, both), "percussion")).parts[0])
    struck = [note for note in root.iter("note") if note.find("unpitched") is not None]
    assert [note.find("chord") is not None for note in struck] == [False, True]


def test_the_document_is_valid_and_an_engraver_draws_its_clef_and_crosses() -> None:
    document = part_of("percussion", *KIT)
    schema = musicxml_schema()
    assert schema.validate(etree.fromstring(document)), schema.error_log
    verovio.enableLog(verovio.LOG_OFF)
    engraver = verovio.toolkit()
    assert engraver.loadData(document.decode())
    mei = etree.fromstring(engraver.getMEI().encode())
    space = "{http://www.music-encoding.org/ns/mei}"
    shapes = {clef.get("shape") for kind in ("clef", "staffDef") for clef in mei.iter(space + kind)}
    assert "perc" in shapes | {staff.get("clef.shape") for staff in mei.iter(f"{space}staffDef")}
    crosses = [note for note in mei.iter(f"{space}note") if note.get("head.shape") == "x"]
    assert len(crosses) == sum(shape == "x" for *_, shape in KIT.values())

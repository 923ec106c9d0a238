"""Strokes without a pitch: a percussion stave, places by General MIDI's percussion map, crosses."""

from fractions import Fraction

import pytest
import verovio
from lxml import etree

from retro.model.instruments import Clef
from retro.model.orchestra import INSTRUMENTS, by_id
from retro.model.phrase import Key
from retro.model.time import Meter
from retro.notation.unpitched import MAX_LINE
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
    37: ("C", "5", "x"),
    46: ("G", "5", "circle-x"),
    56: ("B", "4", "triangle"),  # a cowbell: no place of its own, told apart by its head
    34: ("B", "4", None),  # no key of the map
}


def part_of(id_: str, *keys: int, sharps: int = 0) -> bytes:
    """Write one bar in which some keys are struck one after the other."""
    bars = bars_of(*[Meter.plain(4, 4)] * 4)
    line = [(place, place + 1, key) for place, key in enumerate(keys)]
    performance = performed(phrase_of(bars, line, key=Key(sharps)), id_)
    return written(performance).parts[0]


def heads(document: bytes) -> list[tuple[str | None, str | None, str | None]]:
    """Return step, octave and shape of every head."""
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


def test_a_legend_says_from_below_what_stands_where_and_each_has_an_instrument() -> None:
    root = etree.fromstring(part_of("percussion", 49, 36, 38, 37))
    assert (
        "from below: bass drum, side stick (cross), snare drum, then crash cymbal (cross)"
        in " ".join(words.text or "" for words in root.iter("words")).replace("\n", " ")
    )
    (entry,) = root.iter("score-part")
    names = {
        each.get("id"): each.findtext("instrument-name")
        for each in entry.iterfind("score-instrument")
    }
    assert names == {
        "P1-I36": "bass drum",
        "P1-I37": "side stick",
        "P1-I38": "snare drum",
        "P1-I49": "crash cymbal",
    }
    sounds = {
        each.get("id"): (each.findtext("midi-channel"), each.findtext("midi-unpitched"))
        for each in entry.iterfind("midi-instrument")
    }
    assert sounds == {f"P1-I{key}": ("10", str(key + 1)) for key in (36, 37, 38, 49)}
    struck = [note.find("instrument").get("id") for note in root.iter("note") if note.get("id")]
    assert struck == ["P1-I37", "P1-I38", "P1-I36", "P1-I49"]
    assert musicxml_schema().validate(root)


def test_a_long_legend_stands_on_several_lines() -> None:
    root = etree.fromstring(part_of("percussion", *KIT))
    said = [words.text or "" for words in root.iter("words")]
    first = next(k for k, text in enumerate(said) if "from below" in text)
    lines = said[first : first + 5]
    assert all(len(text) <= MAX_LINE for text in lines)
    assert "crash cymbal (cross)" in " ".join(lines).replace("\n", " ")


def test_one_instrument_needs_no_legend() -> None:
    for id_, keys in (("snare-drum", (38, 40)), ("percussion", (38,))):
        words = [words.text or "" for words in etree.fromstring(part_of(id_, *keys)).iter("words")]
        assert not any("from below" in text for text in words)


def test_in_the_score_the_instruments_are_those_of_the_score() -> None:
    bars = bars_of(Meter.plain(4, 4))
    performance = performed(
        phrase_of(bars, [(0, 4, 60)], [(0, 1, 38), (1, 2, 36)]), "flute", "percussion"
    )
    root = etree.fromstring(written(performance).score)
    known = {each.get("id") for each in root.iter("score-instrument")}
    used = {each.get("id") for each in root.iterfind("part/measure/note/instrument")}
    assert used == {"P2-I36", "P2-I38"}
    assert used < known


def test_strokes_of_drums_have_no_dots() -> None:
    bars = bars_of(Meter.plain(4, 4))
    line = [(k, k + Fraction(1, 9), 38) for k in range(4)]
    document = written(performed(phrase_of(bars, line), "percussion")).parts[0]
    assert not etree.fromstring(document).findall(".//staccato")

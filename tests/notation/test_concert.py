"""The score at sounding pitch."""

import warnings
from collections import Counter

import music21
import pytest
from lxml import etree

from retro.model.instruments import Clef, Transposition
from retro.model.orchestra import by_id
from retro.model.settings import ScoreIn, Settings
from retro.notation.concert import at_concert_pitch
from retro.pack.copyist import Copy, copy_out, sheets
from retro.plan.compose import plan_file
from tests.example import TARGET

BARS = "21-28"


def copied(score_in: ScoreIn) -> Copy:
    return copy_out(plan_file(TARGET, Settings(bars=BARS, score_in=score_in)))


@pytest.fixture(scope="module")
def in_c() -> Copy:
    return copied(ScoreIn.C)


@pytest.fixture(scope="module")
def transposed() -> Copy:
    return copied(ScoreIn.TRANSPOSED)


def sounding(score: bytes) -> Counter:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        read = music21.converter.parseData(score, format="musicxml").toSoundingPitch()
    return Counter(
        (part.partName, float(note.getOffsetInHierarchy(part)), pitch.midi)
        for part in read.parts
        for note in part.recurse().notes
        for pitch in note.pitches
    )


def test_a_score_in_c_sounds_as_the_transposed_one_by_another_reader(in_c, transposed) -> None:
    assert sounding(in_c.xml.score) == sounding(transposed.xml.score)
    assert len(sounding(in_c.xml.score)) > 50


def test_nobody_transposes_in_it_but_by_octaves(in_c, transposed) -> None:
    shifts = [
        etree.fromstring(xml).findall(".//transpose")
        for xml in (in_c.xml.score, transposed.xml.score)
    ]
    chromatic, of_parts = ([each.findtext("chromatic") for each in found] for found in shifts)
    assert set(chromatic) == {"0"}
    assert "-2" in of_parts
    assert "-1" in [each.findtext("octave-change") for each in shifts[0]]


def test_it_says_so_and_its_players_keep_their_names_and_their_parts(in_c, transposed) -> None:
    root, other = (etree.fromstring(copy.xml.score) for copy in (in_c, transposed))
    assert "Score in C" in root.xpath("//credit-words/text()")
    assert "Transposed score" in other.xpath("//credit-words/text()")
    assert root.xpath("//part-name/text()") == other.xpath("//part-name/text()")
    assert in_c.xml.parts == transposed.xml.parts
    plan = plan_file(TARGET, Settings(bars=BARS, score_in=ScoreIn.C))
    assert (
        next(sheet.player for stem, sheet in sheets(plan, in_c) if stem == "score") == "Score in C"
    )


def test_all_read_the_sounding_key(in_c) -> None:
    keys = etree.fromstring(in_c.xml.score).xpath("//measure[1]/attributes/key/fifths/text()")
    assert len(set(keys) - {"0"}) <= 1


@pytest.mark.parametrize(
    ("instrument", "octaves", "clefs"),
    [
        ("clarinet-in-a", 0, (Clef.TREBLE,)),
        ("bass-clarinet", 0, (Clef.TREBLE, Clef.BASS)),
        ("contrabass-clarinet", -1, (Clef.TREBLE, Clef.BASS)),
        ("double-basses", -1, by_id("double-basses").clefs),
        ("piccolo", 1, (Clef.TREBLE,)),
        ("glockenspiel", 2, (Clef.TREBLE,)),
        ("violins", 0, (Clef.TREBLE,)),
    ],
)
def test_octaves_stay_and_low_instruments_read_the_bass_clef_too(
    instrument: str, octaves: int, clefs: tuple[Clef, ...]
) -> None:
    found = at_concert_pitch(by_id(instrument))
    assert found.transposition == Transposition(octaves=octaves)
    assert found.clefs == clefs

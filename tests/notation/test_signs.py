"""What the composer wrote stands in the insert, turned round."""

from dataclasses import replace

from lxml import etree

from retro.model.settings import Settings
from retro.pack.copyist import copy_out
from retro.plan.compose import plan_song
from retro.read.musicxml import read_score_song
from tests.read.test_musicxml import FULL, note, score

WORDS = "<direction><direction-type><words>{}</words></direction-type></direction>"
LEVEL = "<direction><direction-type><dynamics><{}/></dynamics></direction-type></direction>"
WEDGE = '<direction><direction-type><wedge type="{}"/></direction-type></direction>'
SLUR = '<notations><slur type="{}" number="1"/></notations>'
MARK = "<notations><articulations><{}/></articulations></notations>"


def insert(*measures: str, name: str = "Viola") -> etree._Element:
    song = read_score_song(score(*measures, name=name), "song.musicxml")
    plan = plan_song(song, replace(Settings(), count_in_bars=0))
    return etree.fromstring(copy_out(plan).xml.parts[0])


def named(note_: etree._Element) -> str:
    return note_.findtext("pitch/step", "") + note_.findtext("pitch/octave", "")


def carrying(root: etree._Element, path: str) -> list[str]:
    return [named(head) for head in root.iter("note") if head.find(path) is not None]


def test_a_slur_goes_over_the_same_notes_the_other_way_round() -> None:
    root = insert(
        note("C4", SLUR.format("start")) + note("D4") + note("E4", SLUR.format("stop")) + note("F4")
    )
    assert carrying(root, "notations/slur[@type='start']") == ["E4"]
    assert carrying(root, "notations/slur[@type='stop']") == ["C4"]


def test_marks_stay_with_their_notes_and_nothing_is_guessed() -> None:
    root = insert(
        note("C4", MARK.format("accent"))
        + note("D4", MARK.format("strong-accent"))
        + note("E4", MARK.format("tenuto"))
        + note("F4", MARK.format("staccato")),
        "".join(note(pitch) for pitch in ("G4", "A4", "B4", "C5")),
    )
    for kind, pitch in (
        ("accent", "C4"),
        ("strong-accent", "D4"),
        ("tenuto", "E4"),
        ("staccato", "F4"),
    ):
        assert carrying(root, f"notations/articulations/{kind}") == [pitch]
    assert not list(root.iter("slur"))


def test_a_crescendo_to_forte_becomes_a_diminuendo_from_it() -> None:
    root = insert(
        LEVEL.format("p") + FULL,
        WEDGE.format("crescendo") + note("D4", duration=8),
        WEDGE.format("stop") + LEVEL.format("f") + note("E4", duration=8),
    )
    said = [
        (child.tag, measure.get("number"))
        for measure in root.iter("measure")
        for child in measure.iterfind("direction/direction-type/dynamics/*")
    ]
    assert said == [("f", "A1"), ("p", "A3")]
    assert [w.get("type") for w in root.iter("wedge")] == ["diminuendo", "stop"]


def test_pizzicato_stays_with_its_notes_and_is_taken_back_after_them() -> None:
    root = insert(FULL, WORDS.format("pizz.") + note("D4", duration=8), WORDS.format("arco") + FULL)
    words = [
        (measure.get("number"), text.text)
        for measure in root.iter("measure")
        for text in measure.iter("words")
        if text.text in ("pizz.", "arco")
    ]
    assert words == [("A2", "pizz."), ("A3", "arco")]


def test_double_accidentals_of_the_composer_stay() -> None:
    root = insert(note("F##4") + note("Bbb4") + note("C#4") + note("Db4"))
    found = [
        (head.findtext("pitch/step"), head.findtext("pitch/alter"))
        for head in root.iter("note")
        if head.find("pitch") is not None
    ]
    assert found == [("D", "-1"), ("C", "1"), ("B", "-2"), ("F", "2")]

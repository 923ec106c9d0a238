"""Who made the song is said to programs, where the song's score says it."""

from lxml import etree

from retro.model.settings import Settings
from retro.pack.copyist import copy_out
from retro.plan.compose import plan_file, plan_song
from retro.read.musicxml import read_score_song
from tests.evidence.musicxml_schema import musicxml_schema
from tests.example import TARGET
from tests.read.test_musicxml import FULL, score

MADE = (
    '<identification><creator type="composer">A. Nobody</creator>'
    '<creator type="arranger"> B.\n Nobody </creator>'
    '<creator type="poet"></creator><creator>C.</creator></identification>'
)


def test_the_creators_of_a_score_are_those_of_every_document_of_its_insert() -> None:
    given = score(FULL, FULL).replace(b"<part-list>", MADE.encode() + b"<part-list>", 1)
    copy = copy_out(plan_song(read_score_song(given, "song.musicxml"), Settings()))
    for xml in (copy.xml.score, *copy.xml.parts, copy.notice):
        root = etree.fromstring(xml)
        musicxml_schema().assertValid(root)
        assert [(c.get("type"), c.text) for c in root.iterfind("identification/creator")] == [
            ("composer", "A. Nobody"),
            ("arranger", "B. Nobody"),
        ]
        assert root.findtext("identification/encoding/software").startswith("retro ")


def test_a_midi_file_names_nobody() -> None:
    copy = copy_out(plan_file(TARGET, Settings(bars="21-28")))
    assert etree.fromstring(copy.xml.score).find("identification/creator") is None

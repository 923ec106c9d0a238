"""Scores of a general library's test suite and corpus, built and put into; a small part for CI.

Source: the MusicXML files that PyPI music21 ships, used in place. The whole run is
``python -m tests.evidence.real_scores``.
"""

import json
import warnings
from dataclasses import replace
from pathlib import Path

import music21
import pytest
from lxml import etree

from retro.model.settings import Settings
from retro.musicxml.heading import Heading
from retro.pack.copyist import copy_out
from retro.plan.compose import plan_song
from retro.plan.document import plan_json
from retro.read.midi import read_song_bytes
from retro.read.musicxml import read_score_song
from tests.evidence.real_scores import READERS, compare_inserts, plan_of, score_files, try_file

with warnings.catch_warnings():
    warnings.simplefilter("ignore", DeprecationWarning)
    import partitura

SHIPPED = Path(music21.__file__).parent
SUITE = SHIPPED / "musicxml" / "lilypondTestSuite"
EVERY = 8
MIN_SCORES = 15
EXAMPLE_OF_PARTITURA = Path(partitura.__file__).parent / "assets" / "score_example.musicxml"
COMPARED = ("trecento/Fava_Dicant_nunc_iudei.xml", "corelli/opus3no1/1grave.xml")
"""Without dynamics, which every library plays at velocities of its own."""


def test_scores_of_a_test_suite_are_built_or_refused_in_one_line(record_evidence):
    files = score_files([SUITE])[::EVERY]
    outcomes = [try_file(path, into=True) for path in files]
    assert len(files) >= MIN_SCORES
    assert [outcome.line for outcome in outcomes if outcome.kind == "broke"] == []
    built = [outcome for outcome in outcomes if outcome.kind == "built"]
    assert len(built) >= MIN_SCORES - 5
    for reader in READERS:
        assert sum(reader in outcome.readers for outcome in built) >= len(built) - 2
    record_evidence(
        what="scores built, and the insert put into them",
        source="music21's lilypondTestSuite, every eighth file; readers " + ", ".join(READERS),
        expected="built or refused in one line; outside the replaced bars all as before, in the "
        "insert every tone, word and sign that it has alone",
        found=f"{len(built)} built, {len(files) - len(built)} refused, of {len(files)}",
    )


def test_the_score_that_another_library_ships_is_built_and_put_into(record_evidence):
    outcome = try_file(EXAMPLE_OF_PARTITURA, into=True)
    assert outcome.kind == "built", outcome.line
    assert set(READERS) <= set(outcome.readers)
    record_evidence(
        what="a score built, and the insert put into it",
        source="score_example.musicxml of PyPI partitura; readers " + ", ".join(READERS),
        expected="outside the replaced bars all as before, in the insert all that it is alone",
        found=outcome.line,
    )


def test_a_word_or_a_tone_that_the_insert_loses_would_be_seen():
    path = SUITE / "32a-Notations.xml"
    plan = plan_of(path)
    alone = copy_out(plan).xml.score
    heading = Heading(song="x", letter="A", bars=plan.window.printed_bars)
    own = READERS["music21"](alone)
    compare_inserts(own, own, heading, names_pitches=True)
    for tag in ("words", "note"):
        root = etree.fromstring(alone)
        lost = next(root.iter(tag))
        lost.getparent().remove(lost)
        found = READERS["music21"](etree.tostring(root))
        with pytest.raises(AssertionError, match="in the insert"):
            compare_inserts(found, own, heading, names_pitches=True)


@pytest.mark.parametrize("reader", READERS)
def test_a_changed_note_outside_would_be_seen(reader):
    given = (SUITE / "72a-TransposingInstruments.xml").read_bytes()
    root = etree.fromstring(given)
    root.find("part/measure/note/pitch/octave").text = "2"
    assert READERS[reader](given) != READERS[reader](etree.tostring(root))


@pytest.mark.parametrize("work", COMPARED)
def test_midi_and_musicxml_of_one_piece_give_one_plan_to_the_tick(work, record_evidence):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        score = music21.corpus.parse(work)
        score = score.expandRepeats() if score.recurse().getElementsByClass("Repeat") else score
        xml = music21.musicxml.m21ToXml.GeneralObjectExporter(score).parse()
        midi = music21.midi.translate.music21ObjectToMidiFile(score).writestr()
    settings = replace(Settings(), bars="2-5")
    plans = [
        plan_song(read_score_song(xml, "piece"), settings),
        plan_song(read_song_bytes(midi, "piece"), settings),
    ]
    from_xml, from_midi = (_to_compare(plan) for plan in plans)
    assert from_xml == from_midi
    notes = len(plans[0].performance.notes)
    record_evidence(
        what="the plan of MIDI and of MusicXML of one piece",
        source=f"music21's corpus, {work}, both files written with music21",
        expected="the same to the tick",
        found=f"{notes} notes, tempo, bars and placement equal",
    )


def _to_compare(plan):
    read = json.loads(plan_json(plan))
    notes = sorted(
        (
            note["target_on_s"],
            note["target_off_s"],
            note["pitch"],
            note["velocity"],
            note["played_on_s"],
            note["played_off_s"],
            note["written_on_beats"],
            note["written_off_beats"],
        )
        for note in read["notes"]
    )
    return notes, read["placement"], read["insert"], read["window"]

"""Evidence from outside: the published MusicXML 4.0 schema, and an independent reader.

The schema is ``musicxml_4_0.xsd`` of the W3C Music Notation Community Group as PyPI ``musicxml``
1.6.3 carries it; the two schemas that it imports come with PyPI ``xmlschema``. The reader is
verovio: its own MIDI of each part is compared with the performance.
"""

import base64
import io
from fractions import Fraction
from importlib import resources
from pathlib import Path

import mido
import music21
import pytest
import verovio
from lxml import etree

from retro.model.performance import Performance
from retro.musicxml.elements import DIVISIONS
from retro.musicxml.notice import notice_musicxml
from retro.notation.lines import write_parts
from retro.units import seconds_to_ms, us_per_quarter_to_bpm
from tests.evidence.musicxml_schema import musicxml_schema
from tests.notation.written import HEADING, STUDIES, WINDOW, marked, numbered, written

INVALID = {
    "01e-Pitches-EditorialCautionaryAccidentals.xml",
    "41g-PartNoId.xml",
    "74a-FiguredBass.xml",
    "99d-AccordionInvalid.xml",
}
"""Files of music21's ``lilypondTestSuite`` that break the schema; all its others keep to it."""

RELEASE_TICKS = 1
"""verovio's MIDI lets go of every note one tick (of 120 a quarter) before its end."""


@pytest.fixture(scope="module")
def schema():
    return musicxml_schema()


@pytest.mark.parametrize("study", STUDIES)
def test_every_document_is_valid_against_the_published_schema(schema, study, record_evidence):
    insert = written(STUDIES[study]())
    for document in (insert.score, *insert.parts):
        assert schema.validate(etree.fromstring(document)), schema.error_log
    record_evidence(
        what=f"MusicXML of the study {study!r}: score and {len(insert.parts)} parts",
        source="published schema of MusicXML 4.0",
        expected="valid",
        found="all valid",
    )


def test_every_mark_is_valid_against_the_published_schema(schema):
    for document in (marked().score, *marked().parts):
        assert schema.validate(etree.fromstring(document)), schema.error_log


def test_the_notice_is_valid_against_the_published_schema(schema):
    document = notice_musicxml(
        numbered(STUDIES["seven_eight"]().target), heading=HEADING, window=WINDOW
    )
    assert schema.validate(etree.fromstring(document)), schema.error_log


def lilypond_suite() -> Path:
    return Path(str(resources.files("music21") / "musicxml" / "lilypondTestSuite"))


def test_the_schema_refuses_what_is_invalid(schema, record_evidence):
    refused = {
        path.name
        for path in sorted(lilypond_suite().glob("*.xml"))
        if not schema.validate(etree.parse(str(path)))
    }
    assert refused == INVALID
    record_evidence(
        what="the schema itself refuses invalid files",
        source="music21's lilypondTestSuite",
        expected=f"{len(INVALID)} files refused",
        found=f"{len(refused)} files refused, the same",
    )


def heard(document: bytes, count_in: Fraction) -> list[tuple[Fraction, Fraction, int]]:
    """What verovio's own MIDI of a document sounds: (on, off, pitch) on insert time."""
    toolkit = verovio.toolkit()
    assert toolkit.loadData(document.decode())
    midi = mido.MidiFile(file=io.BytesIO(base64.b64decode(toolkit.renderToMIDI())))
    sounding: dict[tuple[int, int], list[int]] = {}
    notes = []
    for number, track in enumerate(midi.tracks):
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "note_on" and message.velocity:
                sounding.setdefault((number, message.note), []).append(tick)
            elif message.type in ("note_off", "note_on"):
                on = sounding[number, message.note].pop(0)
                on_beats = Fraction(on, midi.ticks_per_beat) - count_in
                off_beats = Fraction(tick + RELEASE_TICKS, midi.ticks_per_beat) - count_in
                notes.append((on_beats, off_beats, message.note))
    return sorted(notes)


def on_paper(performance: Performance, indexes) -> list[tuple[Fraction, Fraction, int]]:
    notes = [performance.notes[i] for i in indexes]
    return sorted((n.written_on_beats, n.written_off_beats, n.target.pitch) for n in notes)


def count_in(performance: Performance) -> Fraction:
    return performance.settings.count_in_bars * performance.insert.bars[0].meter.length_beats


@pytest.mark.parametrize("study", STUDIES)
def test_an_independent_reader_hears_each_part_as_it_is_in_the_plan(study, record_evidence):
    performance = STUDIES[study]()
    parts = write_parts(performance)
    for part, document in zip(parts, written(performance).parts, strict=True):
        indexes = [i for s in part.staves for v in s.voices for k in v.chords for i in k.all_notes]
        assert heard(document, count_in(performance)) == on_paper(performance, indexes)
    record_evidence(
        what=f"sounding pitches and written times of the study {study!r}, part by part",
        source="verovio's own MIDI of each part",
        expected=f"the {len(performance.notes)} notes of the plan, exactly",
        found=f"all equal in {len(parts)} parts",
    )


@pytest.mark.parametrize("study", STUDIES)
def test_an_independent_reader_hears_the_score_as_it_is_in_the_plan(study):
    performance = STUDIES[study]()
    everything = range(len(performance.notes))
    assert heard(written(performance).score, count_in(performance)) == on_paper(
        performance, everything
    )


@pytest.mark.parametrize("study", sorted(set(STUDIES) - {"bending"}))
def test_an_independent_reader_keeps_the_time_of_the_plan(study):
    performance = STUDIES[study]()
    toolkit = verovio.toolkit()
    assert toolkit.loadData(written(performance).parts[0].decode())
    tempo, lead_in = performance.insert.tempo, count_in(performance)
    for moment in toolkit.renderToTimemap():
        beats = Fraction(moment["qstamp"]).limit_denominator(DIVISIONS) - lead_in
        expected_ms = seconds_to_ms(tempo.seconds_at(beats) - tempo.seconds_at(-lead_in))
        assert moment["tstamp"] == pytest.approx(expected_ms, abs=1.0)


def test_another_reader_finds_every_step_of_a_tempo_that_bends():
    # verovio's time keeps one tempo a bar; music21 reads them all.
    performance = STUDIES["bending"]()
    score = music21.converter.parse(written(performance).score.decode(), format="musicxml")
    lead_in = count_in(performance)
    read = {
        Fraction(mark.getOffsetInHierarchy(score)) - lead_in: mark.getQuarterBPM()
        for mark in score[music21.tempo.MetronomeMark]
    }
    steps = performance.insert.tempo.us_per_quarter
    for start, us in zip(steps.starts, steps.values, strict=True):
        bpm = read.pop(start if start else -lead_in)
        assert bpm == pytest.approx(float(us_per_quarter_to_bpm(us)), abs=0.05)  # as printed
    assert not read

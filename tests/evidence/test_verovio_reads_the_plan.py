"""Evidence from outside: what the copyist hands out says what ``plan.json`` says.

The example and the studies (all ours), and small phrases drawn at random. The reader is verovio,
through its own MIDI; the schema is the published one (see `test_musicxml_schema`).

verovio's MIDI strikes every note of a tremolo: a measured one is compared note by note like all
others. An unmeasured one stands for 32nds in its span (three strokes; common practice), and for
verovio a trill is its main note; so these are compared by pitch, beginning and end, after a look
at the plan: they are as fast as they are said to be, and nothing sounds outside the span. The upper
notes of trills are read by music21.
"""

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from fractions import Fraction
from functools import cache
from itertools import pairwise

import music21
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lxml import etree

from retro.model.performance import Performance
from retro.model.phrase import Key
from retro.model.settings import Settings
from retro.model.time import Bar, Meter, count_in_bars
from retro.notation.lines import write_parts
from retro.notation.score import Articulation, Chord, Mark, WrittenPart
from retro.pack.copyist import Copy, copy_out
from retro.plan.compose import Plan, plan_file
from retro.plan.document import plan_json
from tests.evidence.test_musicxml_schema import heard, on_paper, schema
from tests.example import EXAMPLES, example_plan
from tests.notation.stands import chords_of
from tests.notation.written import bars_of, performed, phrase_of, without_graces, written

__all__ = ["schema"]

INPUTS = ["example", *sorted(path.stem for path in (EXAMPLES / "studies").glob("*.mid"))]

METERS = (
    Meter.plain(4, 4),
    Meter.plain(3, 4),
    Meter.plain(2, 2),
    Meter.plain(6, 8),
    Meter.plain(12, 8),
    Meter(5, 8, (3, 2)),
    Meter(7, 8, (2, 2, 3)),
)
PLAYERS = (
    "flute",
    "clarinet-in-b-flat",
    "horn-in-f",
    "trombone",
    "violins",
    "cellos",
    "double-basses",
    "harp",
    "piano",
)

Sounding = tuple[Fraction, Fraction, int]

MIN_TRILL, MIN_ROLL = 8.0, 10.0
"""Notes a second (common practice), with something to spare for who plays them."""

TICK = Fraction(1, 120)
"""verovio's MIDI has 120 ticks a quarter note and cuts a third of one off after some rests."""

PRINT_ALL = """
import hashlib, sys
from pathlib import Path
from retro.model.settings import PaperSize, Settings
from retro.engraving.engrave import Sheet, engrave_pdf
from retro.engraving.layout import Kind
from retro.pack.copyist import copy_out
from retro.plan.compose import plan_file
copy = copy_out(plan_file(Path(sys.argv[1]), Settings()))
for xml, kind in ((copy.xml.score, Kind.SCORE), (copy.xml.parts[0], Kind.PART)):
    sheet = Sheet(musicxml=xml, kind=kind, paper=PaperSize.LETTER, song="Study", insert="Insert A",
                  player="All")
    print(hashlib.sha256(xml).hexdigest(), hashlib.sha256(engrave_pdf(sheet)).hexdigest())
"""


def test_there_are_inputs():
    assert len(INPUTS) == 7


@cache
def planned(name: str) -> tuple[Plan, Copy]:
    if name == "example":
        plan = example_plan()
    else:
        plan = plan_file(EXAMPLES / "studies" / f"{name}.mid", Settings())
    return plan, copy_out(plan)


def in_plan(plan: Plan, parts) -> list[Sounding]:
    """What plan.json says of some parts; unmeasured signs as what they stand for."""
    return sorted(
        sounding for sign, notes in signed(plan, parts) for sounding in meant(sign, notes)
    )


def signed(plan: Plan, parts) -> Iterator[tuple[Mark | None, list[dict]]]:
    """Yield every stroke's sign, if it has one, and its notes in plan.json."""
    notes = json.loads(plan_json(plan))["notes"]
    for part in parts:
        for stroke in chords_of(part):
            yield sign_of(part, stroke), [notes[i] for i in stroke.all_notes]


def noted(notes: list[dict]) -> list[Sounding]:
    return sorted(
        (
            Fraction(note["written_on_beats"]).limit_denominator(960),
            Fraction(note["written_off_beats"]).limit_denominator(960),
            note["pitch"],
        )
        for note in notes
    )


def meant(sign: Mark | None, notes: list[dict]) -> list[Sounding]:
    each = noted(notes)
    if sign is None:
        return each
    on, off = each[0][0], max(sounding[1] for sounding in each)
    pitches = sorted({sounding[2] for sounding in each})
    if sign.kind is Articulation.TRILL:
        assert pitches[-1] - pitches[0] in (1, 2)
        assert longest_wait_s(notes) <= 1 / MIN_TRILL
        return [(on, off, pitches[0])]
    value = Fraction(1, 2**sign.strokes)
    struck = [
        (on + k * value, on + (k + 1) * value, pitch)
        for k in range(int((off - on) / value))
        for pitch in pitches
    ]
    assert each == struck or (sign.strokes, longest_wait_s(notes) <= 1 / MIN_ROLL) == (3, True)
    return struck


def longest_wait_s(notes: list[dict]) -> float:
    """Return the longest wait for the next note of what is to be heard."""
    heard_at = sorted({note["target_on_s"] for note in notes})
    return max(b - a for a, b in pairwise(heard_at))


def sign_of(part: WrittenPart, stroke: Chord) -> Mark | None:
    """Return the sign that stands for many notes, None where there is none."""
    marks = (
        m for stave in part.staves for v in stave.voices if stroke in v.chords for m in v.marks
    )
    kinds = (Articulation.TREMOLO, Articulation.TRILL)
    return next((m for m in marks if m.at_beats == stroke.on_beats and m.kind in kinds), None)


def lead_in(performance: Performance) -> Fraction:
    bars = count_in_bars(performance.insert.bars[0], performance.settings.count_in_bars)
    return sum((bar.length_beats for bar in bars), Fraction(0))


def notes_of(part: WrittenPart) -> list[int]:
    strokes = chords_of(part)
    small = (grace.note for stroke in strokes for grace in stroke.graces)
    return [*(i for stroke in strokes for i in stroke.all_notes), *small]


def graces_of(parts) -> dict[str, str]:
    """Return the small notes of some parts by their heads' names, with their written pitch."""
    return {
        f"n{grace.note}": f"{grace.spelled.step} {grace.spelled.alter} {grace.spelled.octave}"
        for part in parts
        for stroke in chords_of(part)
        for grace in stroke.graces
    }


@pytest.mark.parametrize("name", INPUTS)
def test_every_document_of_a_pack_keeps_to_the_published_schema(schema, name):
    _, copy = planned(name)
    for document in (copy.notice, copy.xml.score, *copy.xml.parts):
        assert schema.validate(etree.fromstring(document)), schema.error_log


@pytest.mark.parametrize("name", INPUTS)
def test_verovio_hears_every_part_and_the_score_as_the_plan_has_them(name, record_evidence):
    plan, copy = planned(name)
    before = lead_in(plan.performance)
    for part, document in zip(copy.parts, copy.xml.parts, strict=True):
        full_sized, graces = without_graces(document)
        assert heard(full_sized, before) == in_plan(plan, [part])
        assert graces == graces_of([part])
    everything = range(len(plan.performance.notes))
    assert sorted(i for part in copy.parts for i in notes_of(part)) == list(everything)
    full_sized, graces = without_graces(copy.xml.score)
    assert heard(full_sized, before) == in_plan(plan, copy.parts)
    assert graces == graces_of(copy.parts)
    record_evidence(
        what=f"sounding pitches and written times of {name}, score and {len(copy.parts)} parts",
        source="verovio's own MIDI of the MusicXML",
        expected=f"the {len(everything)} notes of plan.json",
        found=f"all of them, exactly{by_sign(plan, copy.parts)}",
    )


def by_sign(plan: Plan, parts) -> str:
    """Say how many notes are compared by the trill or roll that stands for them."""
    count = sum(
        len(notes) for sign, notes in signed(plan, parts) if meant(sign, notes) != noted(notes)
    )
    return f"; {count} as the trills and rolls that they are under" if count else ""


def test_another_reader_finds_the_upper_note_of_every_trill(record_evidence):
    plan, copy = planned("shimmer")
    notes = plan.performance.notes
    compared = 0
    for part, document in zip(copy.parts, copy.xml.parts, strict=True):
        read = {
            written.pitch.midi: resolved
            for written in music21.converter.parse(document.decode()).toSoundingPitch()[
                music21.note.Note
            ]
            for resolved in upper_notes(written)
        }
        trills = [s for s in chords_of(part) if is_trill(sign_of(part, s))]
        planned_ = {s.pitches[0]: max(notes[i].target.pitch for i in s.all_notes) for s in trills}
        assert read == planned_
        compared += len(planned_)
    assert compared == 3
    record_evidence(
        what="the upper notes of the trills of shimmer",
        source="music21's reading of the MusicXML",
        expected=f"the other pitch of {compared} trills in plan.json",
        found="all of them",
    )


def is_trill(sign: Mark | None) -> bool:
    return sign is not None and sign.kind is Articulation.TRILL


def upper_notes(written: music21.note.Note) -> list[int]:
    """Return the sounding upper note of a trill as music21 has it."""
    trills = [e for e in written.expressions if isinstance(e, music21.expressions.Trill)]
    found = []
    for trill in trills:
        key = written.getContextByClass(music21.key.KeySignature)
        trill.resolveOrnamentalPitches(written, keySig=key)
        found += [each.midi for each in trill.ornamentalPitches]
    return found


def on_ticks(notes) -> list[tuple[Fraction, Fraction, int]]:
    """Undo the cutting of thirds to whole ticks; nothing here is written finer than 1/24."""
    put_right = []
    for on, off, pitch in notes:
        places = [Fraction(round(at * 24), 24) for at in (on, off)]
        assert max(abs(places[0] - on), abs(places[1] - off)) <= TICK
        put_right.append((*places, pitch))
    return sorted(put_right)


@st.composite
def performances(draw) -> Performance:
    meter = draw(st.sampled_from(METERS))
    bars = bars_of(*[meter] * draw(st.integers(1, 3)))
    if draw(st.booleans()) and meter.length_beats > 1:
        bars = (*bars, Bar(bars[-1].end_beats, Fraction(1), meter))  # mirrored, it is a pick-up
    length = bars[-1].end_beats
    unit = draw(st.sampled_from((Fraction(1, 4), Fraction(1, 2), Fraction(1, 3))))
    lines, ids = [], draw(st.lists(st.sampled_from(PLAYERS), min_size=1, max_size=3))
    for _ in ids:
        low = draw(st.integers(45, 64))
        count = int(length / unit)
        edges = draw(st.lists(st.integers(0, count), min_size=2, unique=True))
        spans = list(zip(sorted(edges), sorted(edges)[1:], strict=False))
        kept = draw(st.lists(st.sampled_from(spans), min_size=1, unique=True))
        if draw(st.booleans()):  # a tremolo, at a sixteenth
            first = draw(st.integers(0, count - 1))
            kept = [(k, k + 1) for k in range(first, draw(st.integers(first + 1, count)))]
        chord = draw(st.sets(st.sampled_from((0, 4, 7, 11)), min_size=1, max_size=3))
        lines.append([(a * unit, b * unit, low + step) for a, b in kept for step in sorted(chord)])
    key = Key(draw(st.integers(-6, 6)))
    return performed(phrase_of(bars, *lines, key=key), *ids)


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(performance=performances())
def test_verovio_hears_any_small_phrase_as_it_is_written(schema, performance):
    insert = written(performance)
    for part, document in zip(write_parts(performance), insert.parts, strict=True):
        assert schema.validate(etree.fromstring(document)), schema.error_log
        sounding = heard(document, lead_in(performance))
        assert on_ticks(sounding) == on_paper(performance, notes_of(part))


def test_two_processes_write_the_same_bytes():
    target = str(EXAMPLES / "studies" / "horn_chorale.mid")
    printed = [
        subprocess.run(
            [sys.executable, "-c", PRINT_ALL, target],
            capture_output=True,
            check=True,
            env={**os.environ, "PYTHONHASHSEED": seed},
        ).stdout
        for seed in ("1", "2")
    ]
    assert len(printed[0].split()) == 4
    assert hashlib.sha256(printed[0]).digest() == hashlib.sha256(printed[1]).digest()

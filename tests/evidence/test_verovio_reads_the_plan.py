"""Evidence from outside: what the copyist hands out says what ``plan.json`` says.

The example and the studies (all ours), and small phrases drawn at random. The reader is verovio,
through its own MIDI; the schema is the published one (see `test_musicxml_schema`).
"""

import hashlib
import json
import os
import subprocess
import sys
from fractions import Fraction
from functools import cache

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lxml import etree

from retro.model.performance import Performance
from retro.model.phrase import Key
from retro.model.settings import Settings
from retro.model.time import Bar, Meter, count_in_bars
from retro.notate.lines import write_parts
from retro.notate.score import WrittenPart
from retro.pack.copyist import Copy, copy_out
from retro.plan.compose import Plan, plan_file
from retro.plan.document import plan_json
from tests.evidence.test_musicxml_schema import heard, on_paper, schema
from tests.example import EXAMPLES, example_plan
from tests.notate.written import bars_of, performed, phrase_of, written

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

TICK = Fraction(1, 120)
"""verovio's MIDI has 120 ticks a quarter note and cuts a third of one off after some rests."""

PRINT_ALL = """
import hashlib, sys
from pathlib import Path
from retro.model.settings import PaperSize, Settings
from retro.notate.engrave import Sheet, engrave_pdf
from retro.notate.layout import Kind
from retro.pack.copyist import copy_out
from retro.plan.compose import plan_file
copy = copy_out(plan_file(Path(sys.argv[1]), Settings()))
for xml, kind in ((copy.xml.score, Kind.SCORE), (copy.xml.parts[0], Kind.PART)):
    sheet = Sheet(musicxml=xml, kind=kind, paper=PaperSize.LETTER, song="Study", insert="Insert A",
                  player="All")
    print(hashlib.sha256(xml).hexdigest(), hashlib.sha256(engrave_pdf(sheet)).hexdigest())
"""


def test_there_are_inputs():
    assert len(INPUTS) == 6


@cache
def planned(name: str) -> tuple[Plan, Copy]:
    if name == "example":
        plan = example_plan()
    else:
        plan = plan_file(EXAMPLES / "studies" / f"{name}.mid", Settings())
    return plan, copy_out(plan)


def in_plan(plan: Plan, indexes) -> list[tuple[Fraction, Fraction, int]]:
    notes = json.loads(plan_json(plan))["notes"]
    return sorted(
        (
            Fraction(notes[i]["written_on_beats"]).limit_denominator(960),
            Fraction(notes[i]["written_off_beats"]).limit_denominator(960),
            notes[i]["pitch"],
        )
        for i in indexes
    )


def lead_in(performance: Performance) -> Fraction:
    bars = count_in_bars(performance.insert.bars[0], performance.settings.count_in_bars)
    return sum((bar.length_beats for bar in bars), Fraction(0))


def notes_of(part: WrittenPart) -> list[int]:
    return [i for s in part.staves for v in s.voices for k in v.strokes for i in k.notes]


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
        assert heard(document, before) == in_plan(plan, notes_of(part))
    everything = range(len(plan.performance.notes))
    assert heard(copy.xml.score, before) == in_plan(plan, everything)
    record_evidence(
        what=f"sounding pitches and written times of {name}, score and {len(copy.parts)} parts",
        source="verovio's own MIDI of the MusicXML",
        expected=f"the {len(everything)} notes of plan.json",
        found="all of them, exactly",
    )


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
        edges = draw(st.lists(st.integers(0, int(length / unit)), min_size=2, unique=True))
        spans = list(zip(sorted(edges), sorted(edges)[1:], strict=False))
        kept = draw(st.lists(st.sampled_from(spans), min_size=1, unique=True))
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

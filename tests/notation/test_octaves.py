"""Ottava lines: who reads them, where they last, and that nothing sounds otherwise."""

from fractions import Fraction

import pytest
import verovio
from lxml import etree

from retro.engraving.engraver_input import ready, with_keys
from retro.engraving.octaves import octave_shifts, with_octaves
from retro.model.time import Meter
from retro.notation.lines import write_parts
from retro.notation.octaves import loco_words
from retro.notation.score import Octave, Voice
from tests.evidence.musicxml_schema import musicxml_schema
from tests.notation.written import bars_of, chord_of, performed, phrase_of, written

F = Fraction
HIGH = (88, 91, 93, 95)  # E6 to B6
LOW = (26, 29, 24, 28)
MEI = "{http://www.music-encoding.org/ns/mei}"


def quarters(*pitches, at=0):
    return [(at + k, at + k + 1, pitch) for k, pitch in enumerate(pitches)]


def lines(id_, *notes, bars=4):
    performance = performed(phrase_of(bars_of(*[Meter.plain(4, 4)] * bars), list(notes)), id_)
    (part,) = write_parts(performance)
    return [
        (number, line.start_beats, line.end_beats, line.octaves)
        for number, stave in enumerate(part.staves)
        for line in stave.octaves
    ]


@pytest.mark.parametrize(
    ("id_", "found"),
    [
        ("piano", [(0, 12, 16, 1)]),
        ("harp", [(0, 12, 16, 1)]),
        ("marimba", [(0, 12, 16, 1)]),
        ("flute", []),
        ("violins", []),
        ("trumpet-in-c", []),
        ("guitar", []),
    ],
)
def test_only_those_who_read_it_have_a_line_over_three_ledger_lines(id_, found) -> None:
    assert lines(id_, *quarters(*HIGH)) == found


def test_violins_have_a_line_over_four_ledger_lines() -> None:
    ((_, start, end, octaves),) = lines("violins", *quarters(92, 93, 95, 96))
    assert (start, octaves) == (12, 1)
    assert 15 < end <= 16


def test_players_of_whom_nothing_is_known_have_a_line_over_four_ledger_lines() -> None:
    assert not lines("neutral", *quarters(*HIGH))
    ((_, start, _, octaves),) = lines("neutral", *quarters(92, 93, 95, 96))
    assert (start, octaves) == (12, 1)


def test_low_keys_have_a_line_below_and_low_basses_have_none() -> None:
    assert lines("piano", *quarters(*LOW)) == [(1, 12, 16, -1)]
    for id_ in ("tuba", "double-basses", "bassoon"):
        assert not lines(id_, *quarters(*LOW))


def test_a_few_notes_have_no_line_and_a_long_one_has() -> None:
    assert not lines("piano", *quarters(72, 91, 93, 72))
    assert lines("piano", (0, 4, 93)) == [(0, 12, 16, 1)]
    assert lines("piano", *quarters(72, 99, 72)) == [(0, 14, 15, 1)]


def test_a_line_ends_where_notes_come_down_and_bridges_one_that_comes_down_a_little() -> None:
    notes = quarters(88, 91, 86, 91, 88, 93, 72, 71)
    assert lines("piano", *notes) == [(0, 10, 16, 1)]


def test_two_lines_are_one_where_the_note_between_them_can_stand_under_it() -> None:
    assert lines("piano", *quarters(*HIGH, 77, *HIGH)) == [(0, 7, 16, 1)]
    low = quarters(*HIGH, 65, *HIGH)
    assert lines("marimba", *low) == [(0, 7, 11, 1), (0, 12, 16, 1)]


def test_what_is_written_under_a_line_sounds_as_before_and_stands_an_octave_nearer() -> None:
    bars = bars_of(*[Meter.plain(4, 4)] * 2)
    lower = quarters(*LOW)
    performance = performed(
        phrase_of(bars, [(0, 8, 60)], [*quarters(*HIGH), *lower], quarters(92, 93, 95, 96)),
        "flute",
        "piano",
        "violins",
    )
    insert = written(performance)
    for document in (insert.score, *insert.parts):
        root = etree.fromstring(document)
        assert musicxml_schema().validate(root)
        heads = {
            note.get("id"): note for note in root.iter("note") if note.find("pitch") is not None
        }
        shifts = octave_shifts(root.findall("part"))
        source = ready(document, alone=False)
        engraver = verovio.toolkit()
        engraver.loadData(source.musicxml)
        mended = with_octaves(with_keys(engraver.getMEI(), source.key_changes), source.octaves)
        drawn = {
            note.get("{http://www.w3.org/XML/1998/namespace}id"): note
            for note in etree.fromstring(mended.encode()).iter(f"{MEI}note")
        }
        for name, head in heads.items():
            sounding = int(head.findtext("pitch/octave"))
            octaves = shifts.get(name, 0)
            assert int(drawn[name].get("oct")) == sounding - octaves
            assert int(drawn[name].get("oct.ges") or sounding) == sounding
        assert set(shifts.values()) <= {1, -1}
    assert len(octave_shifts(etree.fromstring(insert.score).findall("part"))) == 12


@pytest.mark.parametrize(
    ("after", "said"),
    [
        (quarters(72, 74, at=8), [(8, True)]),
        (quarters(72, 74, at=9), [(9, True)]),
        (quarters(72, at=11), []),
        ([], []),
    ],
    ids=["at once", "after a rest", "after a long rest", "nothing"],
)
def test_loco_stands_over_what_goes_on_behind_a_line(after, said) -> None:
    line = Octave(start_beats=F(4), end_beats=F(8), octaves=1)
    voice = Voice(chords=tuple(chord_of(on, off, note=on) for on, off, _ in after))
    words = loco_words([line], [voice])
    assert [(word.at_beats, word.above) for word in words] == said


def test_a_line_behind_a_line_is_not_loco() -> None:
    ends = (F(4), F(8)), (F(8), F(12))
    octaves = [Octave(start_beats=start, end_beats=end, octaves=1) for start, end in ends]
    voice = Voice(chords=tuple(chord_of(on, on + 1, note=on) for on in range(4, 12)))
    assert not list(loco_words(octaves, [voice]))


def test_two_octaves_where_one_is_not_enough() -> None:
    assert lines("piano", *quarters(103, 105, 107, 108)) == [(0, 12, 16, 2)]

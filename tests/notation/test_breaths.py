from fractions import Fraction
from itertools import pairwise

import pytest

from retro.model.time import locate
from retro.notation.breaths import BOWED, STAGGERED
from retro.notation.lines import write_parts
from retro.notation.score import Articulation, WrittenPart
from retro.playability.check import check
from tests.conftest import make_note, make_part, make_phrase
from tests.notation.stands import chords_of, played_by
from tests.notation.written import WINDOW

SLOW = 1_000_000
"""A quarter note a second."""


def stands(*notes, id_="flute", bars=8, **about):
    phrase = make_phrase(make_part(*notes), bars=bars, us_per_quarter=SLOW)
    performance = played_by(phrase, id_, **about)
    found = [f for f in check(performance, WINDOW, phrase) if f.kind == "breath"]
    return write_parts(performance), found, performance


def commas(stand: WrittenPart) -> list[Fraction]:
    """Return where the commas stand: behind the chords that have one."""
    at = {
        mark.at_beats
        for voice in stand.staves[0].voices
        for mark in voice.marks
        if mark.kind is Articulation.BREATH
    }
    return [chord.off_beats for chord in chords_of(stand) if chord.on_beats in at]


def test_a_line_that_is_longer_than_a_breath_has_commas_at_bar_lines() -> None:
    # 32 s of quarter notes, two of which cross no bar line; a flute's breath lasts 10 s or so.
    (stand,), (finding,), _ = stands(*(make_note(k, k + 1, 72 + k % 2) for k in range(32)))
    places = commas(stand)
    assert len(places) >= 3
    assert all(at % 4 == 0 for at in places)
    edges = [Fraction(0), *places, Fraction(32)]
    assert all(after - before <= 11 for before, after in pairwise(edges))
    assert any("breathe at the commas only" in words.text for words in stand.directions)
    told = [f"bar {int(at / 4) + 1} beat 1" for at in places]
    assert f"the commas of the part, {', '.join(told)} " in finding.advice


def test_a_line_with_rests_has_no_commas() -> None:
    (stand,), found, _ = stands(*(make_note(8 * k, 8 * k + 7, 72) for k in range(4)))
    assert not commas(stand)
    assert not found


def test_two_lines_of_a_part_breathe_at_different_places() -> None:
    notes = [make_note(4 * k, 4 * k + 4, p) for k in range(8) for p in (60 + k % 2, 67 + k % 2)]
    (first, second), _, _ = stands(*notes, id_="horn-in-f", numbers=(1, 2))
    assert commas(first)
    assert commas(second)
    assert not set(commas(first)) & set(commas(second))


def test_players_on_one_line_breathe_in_turns_inside_tones_as_the_finding_says() -> None:
    notes = [make_note(4 * k, 4 * k + 4, 72 + k % 2) for k in range(8)]
    (stand,), (finding,), performance = stands(*notes, numbers=(1, 2))
    assert not commas(stand)
    said = [(words.at_beats, words.text) for words in stand.directions]
    assert (0, STAGGERED) in said
    turns = {at: text for at, text in said if text.endswith(" breathes")}
    assert not any(at % 4 == 0 for at in turns)
    for number in (1, 2):
        own = [
            Fraction(0),
            *(at for at in turns if turns[at] == f"{number} breathes"),
            Fraction(32),
        ]
        assert max(b - a for a, b in pairwise(own)) <= 11
    for at, text in turns.items():
        place = locate(performance.insert.bars, at)
        assert f"{text.split()[0]} at bar {place.bar} beat {place.beat}" in finding.advice


@pytest.mark.parametrize(
    ("id_", "beats", "is_told"),
    [("violins", 8, True), ("violins", 2, False), ("flute", 8, False), ("harp", 8, False)],
)
def test_strings_change_bow_where_a_tone_is_longer_than_a_bow(id_, beats, is_told) -> None:
    (stand,), _, _ = stands(make_note(0, beats, 72), id_=id_)
    assert (BOWED in [words.text for words in stand.directions]) is is_told

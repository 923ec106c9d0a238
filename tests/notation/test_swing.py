"""A page says "straight" where its pairs are even and the song around it swings."""

from fractions import Fraction

import pytest

from retro.notation.lines import write_parts
from retro.notation.swing import is_straight
from retro.notation.words import STRAIGHT
from tests.conftest import make_note, make_part, make_phrase
from tests.notation.written import performed

F = Fraction
SWING, EVEN = F(2, 3), F(1, 2)


def pairs(second, beats, at=0):
    """A pair of strokes in each of some beats, the second at its place in the beat."""
    for beat in range(at, at + beats):
        yield make_note(beat, beat + second, 60)
        yield make_note(beat + second, beat + 1, 62)


def phrase(*feels):
    notes = [note for n, feel in enumerate(feels) for note in pairs(feel, 4, at=4 * n)]
    return make_phrase(make_part(*notes), bars=len(feels))


@pytest.mark.parametrize(
    ("around", "own", "said"),
    [
        (SWING, EVEN, True),
        (F(63, 100), F(52, 100), True),
        (SWING, SWING, False),
        (EVEN, EVEN, False),
        (EVEN, SWING, False),
        (F(3, 4), EVEN, True),
        (F(4, 5), EVEN, False),
    ],
)
def test_even_pairs_in_a_song_that_swings_are_straight(around, own, said) -> None:
    song = phrase(around, around, own, around)
    target = song.cut(F(8), F(12))
    assert is_straight(song, F(8), F(12), target) is said


def test_a_song_of_a_few_pairs_has_no_feel() -> None:
    song = phrase(SWING, EVEN)
    assert not is_straight(song, F(4), F(8), song.cut(F(4), F(8)))


def test_every_part_says_it_once() -> None:
    performance = performed(phrase(EVEN), "flute")
    for said in (False, True):
        (part,) = write_parts(performance, is_straight=said)
        assert [words.text for words in part.directions].count(STRAIGHT) == said

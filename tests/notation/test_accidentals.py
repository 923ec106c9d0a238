import pytest

from retro.model.phrase import Key
from retro.notation.accidentals import PlacedChord, key_alter, printed_accidentals
from retro.notation.score import Spelled

PLAIN = Key(0)
C, C_SHARP, C5 = Spelled("C", 0, 4), Spelled("C", 1, 4), Spelled("C", 0, 5)


def printed(*heads, key=PLAIN):
    """Each head is (bar, written pitch) or (bar, written pitch, True) after a tie."""
    chords = [
        PlacedChord(bar=bar, key=key, heads=(name,), tied_from=bool(tied))
        for bar, name, *tied in heads
    ]
    return [str(shown) for (shown,) in printed_accidentals(chords)]


@pytest.mark.parametrize(
    ("heads", "expected"),
    [
        ([(0, C), (0, C)], ["hidden", "hidden"]),
        ([(0, C_SHARP), (0, C_SHARP)], ["printed", "hidden"]),
        ([(0, C_SHARP), (0, C)], ["printed", "printed"]),
        ([(0, C_SHARP), (1, C), (1, C)], ["printed", "courtesy", "hidden"]),
        ([(0, C_SHARP), (2, C)], ["printed", "hidden"]),
        ([(0, C_SHARP), (0, C5)], ["printed", "courtesy"]),
        ([(0, C_SHARP), (1, C_SHARP, True), (1, C_SHARP)], ["printed", "hidden", "printed"]),
        ([(0, C_SHARP), (1, C_SHARP, True), (1, C)], ["printed", "hidden", "courtesy"]),
        ([(0, C_SHARP), (1, C_SHARP)], ["printed", "printed"]),
    ],
)
def test_an_accidental_holds_for_its_bar_and_is_recalled_after_it(heads, expected):
    assert printed(*heads) == expected


def test_a_note_of_the_key_needs_no_accidental_and_its_natural_does():
    assert printed((0, C_SHARP), (0, C), key=Key(2)) == ["hidden", "printed"]
    assert printed((0, C), (1, C_SHARP), key=Key(2)) == ["printed", "courtesy"]


def test_keys_gather_their_signs_in_the_usual_order():
    letters = "CDEFGAB"
    assert [key_alter(Key(3), step) for step in letters] == [1, 0, 0, 1, 1, 0, 0]
    assert [key_alter(Key(-3), step) for step in letters] == [0, 0, -1, 0, 0, -1, -1]
    assert {key_alter(Key(0), step) for step in letters} == {0}

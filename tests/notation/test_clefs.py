from fractions import Fraction

import pytest

from retro.model.instruments import Clef
from retro.model.phrase import Phrase
from retro.notation.clefs import ledger_lines
from retro.notation.lines import write_parts
from retro.notation.score import Spelled
from tests.conftest import make_note, make_part, make_phrase
from tests.notation.stands import played_by


def clefs(phrase: Phrase, id_: str) -> list[tuple[Fraction, Clef]]:
    (part,) = write_parts(played_by(phrase, id_))
    return list(part.staves[0].clefs)


def quarters(*pitches: int) -> Phrase:
    """Return quarter notes in the order of the insert."""
    turned = pitches[::-1]
    bars = -(-len(pitches) // 4)
    notes = [make_note(4 * bars - len(pitches) + i, 4 * bars - len(pitches) + i + 1, p)
             for i, p in enumerate(turned)]  # fmt: skip
    return make_phrase(make_part(*notes), bars=bars)


@pytest.mark.parametrize(
    ("name", "clef", "lines"),
    [
        (Spelled("C", 0, 4), Clef.TREBLE, 1), (Spelled("D", 0, 4), Clef.TREBLE, 0),
        (Spelled("A", 0, 5), Clef.TREBLE, 1), (Spelled("G", 0, 5), Clef.TREBLE, 0),
        (Spelled("A", 0, 3), Clef.TREBLE, 2), (Spelled("C", 0, 4), Clef.BASS, 1),
        (Spelled("C", 0, 4), Clef.ALTO, 0), (Spelled("E", 0, 2), Clef.BASS, 1),
        (Spelled("D", 0, 5), Clef.TENOR, 3), (Spelled("C", 0, 6), Clef.TREBLE, 2),
    ],
)  # fmt: skip
def test_ledger_lines_are_counted(name: Spelled, clef: Clef, lines: int) -> None:
    # Common practice: middle C lies on the first ledger line of treble and bass.
    assert ledger_lines(name, clef) == lines


def test_each_player_reads_the_usual_clef() -> None:
    assert clefs(quarters(60, 62, 64, 65), "violas") == [(0, Clef.ALTO)]
    assert clefs(quarters(43, 45, 47, 48), "cellos") == [(0, Clef.BASS)]
    assert clefs(quarters(55, 57, 59, 60), "horn-in-f") == [(0, Clef.TREBLE)]


def test_a_high_cello_or_trombone_line_is_in_tenor_clef() -> None:
    assert clefs(quarters(64, 65, 67, 69, 67, 65, 64, 62), "cellos") == [(0, Clef.TENOR)]
    assert clefs(quarters(65, 67, 69, 67, 69, 70, 69, 67), "trombone") == [(0, Clef.TENOR)]


def test_a_very_high_viola_or_cello_line_is_in_treble_clef() -> None:
    assert clefs(quarters(79, 81, 83, 84, 83, 81, 79, 81), "violas") == [(0, Clef.TREBLE)]
    assert clefs(quarters(76, 79, 81, 83, 81, 79, 76, 79), "cellos") == [(0, Clef.TREBLE)]


def test_a_long_cello_line_about_middle_c_is_in_tenor_clef_and_a_short_one_is_not() -> None:
    # 47 notes from B3 to G#4 once stood in bass clef.
    line = (59, 62, 64, 65, 68, 66, 64, 62, 61, 60, 64, 67)
    assert clefs(quarters(*line * 4), "cellos") == [(0, Clef.TENOR)]
    low = (43, 45, 47, 48, 50, 48, 47, 45)
    assert clefs(quarters(*low, 59, 62, 64, 62, *low), "cellos") == [(0, Clef.BASS)]


def test_a_trombone_that_comes_down_to_b2_stays_in_bass_clef() -> None:
    line = (64, 62, 60, 59, 47, 50, 52, 55, 65, 64, 62, 59, 47, 48, 50, 52)
    assert clefs(quarters(*line), "trombone") == [(0, Clef.BASS)]


def test_one_high_note_does_not_change_the_clef() -> None:
    assert clefs(quarters(48, 50, 52, 53, 65, 53, 52, 50), "cellos") == [(0, Clef.BASS)]


def test_a_clef_changes_once_where_the_line_moves_up_for_good() -> None:
    low, high = (43, 45, 47, 48), (67, 69, 71, 69)
    assert clefs(quarters(*low, *low, *high, *high), "cellos") == [
        (0, Clef.BASS), (8, Clef.TENOR),
    ]  # fmt: skip


def test_a_clef_does_not_change_under_a_held_note() -> None:
    held = make_note(0, 16, 36)
    notes = [make_note(i, i + 1, 40 if i < 8 else 76) for i in range(16)]
    (part,) = write_parts(played_by(make_phrase(make_part(held, *notes), bars=4), "cellos"))
    assert len(part.staves[0].clefs) == 1


def test_a_horn_stays_in_treble_clef_for_a_few_low_notes() -> None:
    assert clefs(quarters(41, 52, 46, 50, 52, 53, 50, 48), "horn-in-f") == [(0, Clef.TREBLE)]
    assert clefs(quarters(36, 38, 36, 35, 36, 38, 36, 35), "horn-in-f") == [(0, Clef.BASS)]


def test_a_clef_changes_in_a_rest_rather_than_a_note_before_it() -> None:
    high = [make_note(16 - 1 - i, 16 - i, 67 + i % 3) for i in range(6, 14)]
    low = [make_note(16 - 1 - i, 16 - i, 43) for i in range(4)]
    last_before_the_rest = make_note(11, 12, 59)  # read in either clef
    phrase = make_phrase(make_part(*high, *low, last_before_the_rest), bars=4)
    assert clefs(phrase, "cellos") == [(0, Clef.BASS), (6, Clef.TENOR)]

"""The clefs of the composer, in the mirror."""

from fractions import Fraction

import pytest

from retro.model.instruments import Clef
from retro.model.settings import Settings
from retro.model.signs import Sign, SignKind
from retro.notation.lines import write_parts
from retro.plan.compose import plan_song
from retro.read.musicxml import read_score_song
from retro.reversal.mirror import mirror
from tests.read.test_musicxml import note, phrase, score


def clef(sign: str, line: int, more: str = "") -> str:
    return f"<attributes><clef><sign>{sign}</sign><line>{line}</line>{more}</clef></attributes>"


HIGH = note("A4", duration=4)
BASS, TENOR, TREBLE = clef("F", 4), clef("C", 4), clef("G", 2)


def written(*bars: str, name: str = "Cello") -> tuple[tuple[float, str], ...]:
    song = read_score_song(score(*bars, name=name), "song.musicxml")
    parts = write_parts(plan_song(song, Settings(count_in_bars=0)).performance)
    return tuple((float(at), found.value) for at, found in parts[0].staves[0].clefs)


def test_notes_stand_in_the_clef_in_which_the_composer_wrote_them() -> None:
    bars = (BASS + HIGH + TENOR + HIGH, HIGH + HIGH, TREBLE + HIGH + HIGH)
    assert written(*bars) == ((0, "treble"), (4, "tenor"), (10, "bass"))


def test_a_clef_that_the_player_does_not_read_is_chosen_anew() -> None:
    assert written(TENOR + HIGH + HIGH, name="Violin") == ((0, "treble"),)
    assert written(clef("G", 2, "<clef-octave-change>-1</clef-octave-change>") + HIGH * 2) != (
        (0, "treble"),
    )


def test_clefs_of_two_staves_are_chosen_anew_as_hands_are() -> None:
    lower = note("C3", "<staff>2</staff>", duration=8)
    bars = BASS + HIGH * 2 + "<backup><duration>8</duration></backup>" + lower
    assert [s for s in phrase(score(bars)).parts[0].signs if s.kind is SignKind.CLEF] == []


def test_an_empty_lower_stave_has_no_say() -> None:
    lower = '<attributes><clef number="2"><sign>F</sign><line>4</line></clef></attributes>'
    assert written(TREBLE + lower + HIGH * 2, name="Violin") == ((0, "treble"),)
    clefs = [sign.text for sign in phrase(score(TREBLE + lower + HIGH * 2)).parts[0].signs]
    assert clefs == ["treble"]


def test_clefs_mirror_back_and_have_the_spans_that_they_hold() -> None:
    song = phrase(score(BASS + HIGH + TENOR + HIGH, HIGH + HIGH))
    clefs = [sign for sign in song.parts[0].signs if sign.kind is SignKind.CLEF]
    assert clefs == [
        Sign(start_beats=Fraction(0), end_beats=Fraction(2), kind=SignKind.CLEF, text="bass"),
        Sign(start_beats=Fraction(2), end_beats=Fraction(8), kind=SignKind.CLEF, text="tenor"),
    ]
    assert mirror(mirror(song)) == song


@pytest.mark.parametrize(
    ("sign", "line", "name"),
    [("G", 2, Clef.TREBLE), ("C", 3, Clef.ALTO), ("F", 3, None), ("TAB", 5, None)],
)
def test_clefs_that_parts_of_ours_do_not_have_are_told_as_unknown(sign, line, name) -> None:
    clefs = [s.text for s in phrase(score(clef(sign, line) + HIGH * 2)).parts[0].signs]
    assert clefs == ["" if name is None else name.value]

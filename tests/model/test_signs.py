"""Signs mirror as notes do, and back again."""

from dataclasses import replace
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from retro.model.signs import Sign, SignKind
from retro.model.spelling import name_at, place_of
from retro.reversal.mirror import mirror
from tests.conftest import make_note, make_part, make_phrase

LENGTH = 16
PLACES = st.fractions(min_value=0, max_value=LENGTH, max_denominator=48)


@st.composite
def signs(draw: st.DrawFn) -> Sign:
    first, last = sorted(draw(st.lists(PLACES, min_size=2, max_size=2, unique=True)))
    return Sign(
        start_beats=first,
        end_beats=last,
        kind=draw(st.sampled_from(SignKind)),
        text=draw(st.sampled_from(("", "mf", "pizz.", "dolce"))),
        pitches=tuple(draw(st.lists(st.integers(0, 127), max_size=2))),
    )


@given(st.lists(signs(), max_size=12))
def test_slurs_hairpins_marks_and_words_mirror_back(drawn: list[Sign]) -> None:
    part = replace(make_part(make_note(0, 4, 60)), signs=tuple(sorted(drawn)))
    phrase = make_phrase(part, bars=4)
    mirrored = mirror(phrase)
    assert mirror(mirrored) == phrase
    turned = mirrored.parts[0].signs
    assert turned is not None
    spans = sorted((LENGTH - s.end_beats, LENGTH - s.start_beats) for s in drawn)
    assert sorted((s.start_beats, s.end_beats) for s in turned) == spans


def test_a_crescendo_becomes_a_diminuendo_and_a_roll_goes_the_other_way() -> None:
    kinds = {kind: kind.mirrored for kind in SignKind if kind.mirrored is not kind}
    assert kinds == {
        SignKind.CRESCENDO: SignKind.DIMINUENDO,
        SignKind.DIMINUENDO: SignKind.CRESCENDO,
        SignKind.ARPEGGIO_UP: SignKind.ARPEGGIO_DOWN,
        SignKind.ARPEGGIO_DOWN: SignKind.ARPEGGIO_UP,
    }


@given(signs(), PLACES, PLACES)
def test_a_sign_that_is_cut_lies_in_the_window(sign: Sign, one: Fraction, other: Fraction) -> None:
    start, end = sorted((one, other))
    cut = sign.cut(start, end)
    if cut is None:
        assert sign.end_beats <= start or sign.start_beats >= end or start == end
    else:
        assert 0 <= cut.start_beats < cut.end_beats <= end - start


@given(st.integers(-15, 19))
def test_names_on_the_line_of_fifths_come_back(place: int) -> None:
    assert place_of(name_at(place)) == place

"""A drafted swell gets another length and lands where it did."""

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.cli.draft import draft
from retro.drafting.stretch import stretched, swell_span
from retro.errors import SettingsError
from retro.model.phrase import EXPRESSION, Phrase
from retro.plan.compose import plan_file
from retro.read.settings import beside, load_settings
from retro.read.target import read_song
from tests.example import TARGET


@pytest.fixture(scope="module")
def target(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("stretch") / "swell.mid"
    draft(out, "Violins I, Violas, Celli", chord="Dm7", song=TARGET, bar=33, length_beats="8")
    return out


@pytest.fixture(scope="module")
def song(target: Path) -> Phrase:
    return read_song(target).phrase


@given(quarters=st.integers(4, 64))
def test_a_stretched_swell_lands_where_it_did_and_is_so_long(song: Phrase, quarters: int) -> None:
    length = Fraction(quarters, 4)
    longer = stretched(song, length)
    span, before = swell_span(longer), swell_span(song)
    assert span.landing_beats == before.landing_beats
    assert span.length_beats == length
    for part, was in zip(longer.parts, song.parts, strict=True):
        assert {note.off_beats for note in part.notes} == {span.landing_beats}
        assert [n.pitch for n in part.notes] == [n.pitch for n in was.notes]
        halfway = span.landing_beats - length / 2
        half_was = before.landing_beats - before.length_beats / 2
        assert part.controller(EXPRESSION).at(halfway) == was.controller(EXPRESSION).at(half_was)


@given(quarters=st.integers(4, 64))
def test_a_stretched_swell_stretches_back(song: Phrase, quarters: int) -> None:
    there = stretched(song, Fraction(quarters, 4))
    assert stretched(there, swell_span(song).length_beats) == song


def test_the_window_is_the_bars_of_the_swell(target: Path) -> None:
    for length, bars in ((4, (32, 32)), (6, (31, 32)), ("25/2", (29, 32))):
        settings = load_settings(beside(target), {"swell_beats": length})
        plan = plan_file(target, settings)
        assert (plan.window.start_bar, plan.window.end_bar) == bars
        first = min(note.target_on_s for note in plan.performance.notes)
        last = max(note.target_off_s for note in plan.performance.notes)
        tempo = plan.performance.target.tempo
        lasts = tempo.length_beats - tempo.beats_at(Fraction(first))
        assert float(lasts) == pytest.approx(float(Fraction(length)), abs=1e-6)
        assert last == pytest.approx(float(plan.window.length_s))


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0, "want quarter notes such as 8 or 7/2"),
        (-2, "want quarter notes"),
        (513, "want quarter notes"),
        ("long", "want quarter notes"),
        (True, "want quarter notes"),
        (300, "would begin before the song; it has 127 beats before it lands"),
    ],
)
def test_a_length_that_cannot_be_is_refused(target: Path, value: object, said: str) -> None:
    with pytest.raises(SettingsError, match=said):
        plan_file(target, load_settings(beside(target), {"swell_beats": value}))


def test_a_target_that_is_no_draft_has_no_swell_to_stretch() -> None:
    with pytest.raises(SettingsError, match="want one marker 'Swell' and one 'Landing'"):
        plan_file(TARGET, load_settings(beside(TARGET), {"swell_beats": 8}))

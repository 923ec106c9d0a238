"""Room is asked for before the window only where the flipped sound is heard there."""

from dataclasses import replace
from fractions import Fraction

from retro.model.findings import FindingKind
from retro.model.instruments import Player
from retro.model.orchestra import by_id
from retro.model.performance import Finding
from retro.model.phrase import EXPRESSION
from retro.model.settings import Settings
from retro.model.time import Steps
from retro.playability.check import check
from retro.reversal.compensate import perform
from tests.conftest import make_note, make_part, make_phrase
from tests.plan_fixtures import make_window

PLAYER = Player(name="Violins", instrument=by_id("violins"))


def pre_swells(first: int, last: int) -> list[Finding]:
    """Return what is said of a note of two bars whose expression moves between two values."""
    values = [round(first + (last - first) * k / 127) for k in range(128)]
    changes = [(Fraction(k, 16), value) for k, value in enumerate(values)]
    steps = Steps.from_changes(changes, length=Fraction(8), before=first)
    part = replace(make_part(make_note(0, 8, 69)), controllers=((EXPRESSION, steps),))
    phrase = make_phrase(part)
    song = make_phrase(make_part(make_note(0, 64)), bars=16)
    window = make_window(song, 5, 6)
    found = check(perform(phrase, (PLAYER,), Settings()), window=window, song=song)
    return [finding for finding in found if finding.kind is FindingKind.PRE_SWELL]


def test_a_crescendo_from_nothing_asks_for_no_room_before_it() -> None:
    assert pre_swells(0, 127) == []


def test_a_tone_that_is_loud_from_its_first_beat_on_does() -> None:
    (finding,) = pre_swells(127, 127)
    assert "leave room" in finding.advice

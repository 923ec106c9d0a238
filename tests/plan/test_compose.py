from fractions import Fraction

from retro.plan.compose import plan_song
from retro.read.settings import load_settings
from retro.read.song import Song
from tests.conftest import make_note, make_part, make_phrase
from tests.example import example_plan


def test_a_tone_that_begins_before_the_count_in_is_told() -> None:
    kinds = [finding.kind for finding in example_plan(count_in_bars=0).findings]
    assert kinds.count("count-in") == 1
    assert "count-in" not in [finding.kind for finding in example_plan().findings]


def test_what_the_placement_finds_is_in_the_plan() -> None:
    plan = example_plan(bars="1-2", session_start="00:00:00:00")
    assert set(plan.placement.findings) <= set(plan.findings)
    assert plan.placement.findings


def test_findings_come_gravest_first() -> None:
    order = ["stop", "warn", "note"]
    found = [order.index(finding.severity) for finding in example_plan(bars="1-20").findings]
    assert found == sorted(found)
    assert len(set(found)) > 1


def test_notes_played_by_hand_over_a_bar_line_stay_in_their_own_bars() -> None:
    near = Fraction(1, 40)
    notes = [make_note(on - near, on + 4 + near, 60 + on) for on in (4, 8, 12)]
    phrase = make_phrase(make_part(*notes, name="Viola"), bars=4)
    window = phrase.cut(Fraction(8), Fraction(12))
    assert [note.pitch for note in window.parts[0].notes] == [68]
    assert phrase.strays(Fraction(8), Fraction(12)) == (2,)
    song = Song(name="s", sha256="", ticks_per_quarter=40, phrase=phrase, notices=())
    told = [f.what for f in plan_song(song, load_settings(None, {"bars": "3"})).findings]
    assert (
        "2 notes of the bars beside the window reach into it by less than a 32nd and are left out"
        in told
    )

"""The anchor of phrases that hands played: no single finger decides where the clip goes."""

import pytest

from retro.placement.anchor import Landing, group_at


def landing(player: str, wanted_s: float, error_ms: float = 0.0) -> Landing:
    return Landing(player=player, wanted_s=wanted_s, error_ms=error_ms, weight=1)


def test_the_last_tone_of_a_chord_let_go_by_hand_does_not_move_everybody() -> None:
    harp = [landing("Harp", 29.0 + 0.04 * i, -40.0 * i) for i in range(6)]
    strings = [landing(name, 29.0) for name in ("Violin I", "Viola", "Cello", "Bass", "Horn")]
    group = group_at([landing("Violin I", 27.0), *harp, *strings])
    assert group is not None
    assert group.at_s == pytest.approx(29.0)
    assert abs(group.shift_ms) < 1.0
    assert set(group.players) >= {"Violin I", "Viola", "Cello", "Bass"}


def test_players_around_a_beat_are_placed_by_their_middle() -> None:
    strays = (-0.028, -0.014, 0.0, 0.012, 0.026)
    group = group_at([landing(str(i), 8.0 + s, -1000.0 * s) for i, s in enumerate(strays)])
    assert group is not None
    assert (group.at_s, group.shift_ms) == (8.0, 0.0)


def test_what_lands_apart_on_paper_and_by_ear_is_another_group() -> None:
    group = group_at([landing("Horn", 7.5), landing("Harp", 8.0, -60.0)])
    assert group is not None
    assert [each.player for each in group.landings] == ["Harp"]
    assert group.shift_ms == pytest.approx(60.0)

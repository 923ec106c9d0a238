"""Figures of people learned from takes: made ones, of which everything is known."""

import numpy as np
import pytest

from retro.model.sound import Room
from retro.sounds.edge_fit import fitted
from tests.sounds.made_study import FIGURES, ROOM, learned, plan
from tests.sounds.made_takes import LEAD_S, take_of


@pytest.mark.parametrize(
    "about",
    [
        {},
        {
            "rate": 44_100,
            "late_s": 0.04,
            "lead_s": 0.7373,
            "gain": 0.05,
            "room": Room(ROOM.reverberation_s, 6.0),
        },
        {"rate": 96_000, "late_s": -0.02, "lead_s": 11.001, "gain": 0.9},
    ],
    ids=[
        "48 kHz",
        "44.1 kHz, late, soft, more of the room than was planned",
        "96 kHz, early, a late start, loud",
    ],
)
def test_figures_of_notes_that_stand_alone_are_found_in_a_room_that_hides_them(tmp_path, about):
    take = take_of(plan(), FIGURES, **{"room": ROOM, **about})
    rate, lead_s = int(about.get("rate", 48_000)), float(about.get("lead_s", LEAD_S))
    found = learned(tmp_path, take, plan(), rate=rate, lead_s=lead_s)
    stated = 0
    for player in found.players:
        attack_s, decay_s = FIGURES[player.name]
        if player.attack is not None:
            stated += 1
            assert player.attack.figure_s == pytest.approx(attack_s, abs=0.005), player.name
            assert abs(player.attack.figure_s - attack_s) <= player.attack.spread_s
            assert player.attack.notes >= 5
        if player.decay is not None:
            stated += 1
            assert player.decay.figure_s == pytest.approx(decay_s, rel=0.2), player.name
            assert abs(player.decay.figure_s - decay_s) <= player.decay.spread_s
    assert stated >= 5
    assert found.microphones[0].late_s == pytest.approx(float(about.get("late_s", 0.0)), abs=0.01)


def test_struck_tones_tell_their_stroke_and_how_they_ring(tmp_path):
    of = plan(names=("Harp", "Timpani"))
    found = learned(tmp_path, take_of(of, FIGURES, room=ROOM), of)
    for player in found.players:
        attack_s, decay_s = FIGURES[player.name]
        assert player.attack.figure_s == pytest.approx(attack_s, abs=0.005), player.name
        assert player.decay.figure_s == pytest.approx(decay_s, rel=0.2), player.name
        assert player.unknown == ("damper figure: none is learned of takes, the usual 0.2 s holds",)


def test_what_is_stated_of_a_dense_ensemble_is_covered_by_its_spread(tmp_path):
    covered = []
    for seed in (1, 2, 3):
        of = plan(dense=True, seed=seed)
        take = take_of(of, FIGURES, room=ROOM, seed=seed)
        for player in learned(tmp_path, take, of).players:
            for stated, truth_s in zip(
                (player.attack, player.decay), FIGURES[player.name], strict=True
            ):
                if stated is not None:
                    covered.append(abs(stated.figure_s - truth_s) <= stated.spread_s)
    assert len(covered) >= 6
    assert np.mean(covered) >= 0.9


def test_notes_of_one_pitch_say_less_than_those_of_several():
    # Source: the room answers a pitch alike each time; of m values with correlation 1/2 the mean
    # has a variance of (1 + (m - 1) / 2) / m (any textbook on clustered samples).
    figures_s = np.geomspace(0.01, 1.0, 41)
    notes = [8.0 * np.log(figures_s / 0.1) ** 2 for _ in range(9)]
    alone, alike = (
        fitted(notes, pitches, figures_s).heard_error for pitches in (range(60, 69), [60] * 9)
    )
    assert alike / alone == pytest.approx(5.0**0.5, rel=0.01)

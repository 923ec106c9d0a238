"""What of a take is not taken for a figure of people, and what is said of it."""

import dataclasses

import numpy as np
import pytest

from retro.errors import TakeError
from retro.sounds.edge_fit import ATTACKS_S
from retro.sounds.free_notes import Edge, Found, take_notes
from retro.sounds.take_figures import Misfit, why_not
from tests.sounds.made_study import FIGURES, ROOM, learned, plan
from tests.sounds.made_takes import LEAD_S, take_of

TOO_FEW = (
    "attack: 8 free notes say about 80 ms and leave it open by 32 %, more than 9 %; some 105 of "
    "several pitches would do"
)


@pytest.mark.parametrize(
    ("each_s", "sharpness", "why"),
    [
        ([0.03, 0.2] * 4, 200.0, "attack: 8 free notes differ, from 30 ms to 200 ms"),
        (
            [0.08] * 8,
            5.0,
            TOO_FEW,
        ),
    ],
    ids=["they differ", "they are too few"],
)
def test_a_refusal_says_what_the_notes_said_and_how_many_would_do(each_s, sharpness, why):
    note = dataclasses.replace(take_notes(plan())[0], pitch=60)
    heard = [
        Misfit(
            note=dataclasses.replace(note, index=at, pitch=60 + at),
            misfit=sharpness * np.log(ATTACKS_S / one_s)[np.newaxis] ** 2,
            against=np.zeros((1, 1)),
        )
        for at, one_s in enumerate(each_s)
    ]
    assert why_not(heard, Edge.RISE, Found(edges=(None,) * 8), 0) == why


def test_what_is_another_take_or_lies_elsewhere_or_is_spoiled_is_refused_in_one_line(tmp_path):
    of, other = plan(), plan(seed=7)
    take = take_of(of, FIGURES, room=ROOM)
    cases = {
        "wrong plan": (take, other, {}),
        "wrong file": (take_of(other, FIGURES, room=ROOM), of, {}),
        "wrong place": (take, of, {"lead_s": LEAD_S + 3.0}),
        "noise": (0.1 * np.random.default_rng(1).standard_normal(take.size), of, {}),
        "silent": (np.zeros_like(take), of, {}),
        "clipped": (np.clip(8.0 * take, -1.0, 1.0), of, {}),
    }
    for name, (sound, asked, where) in cases.items():
        with pytest.raises(TakeError) as refusal:
            learned(tmp_path, sound, asked, **where)
        assert "\n" not in str(refusal.value), name
        assert name not in ("silent", "clipped") or name in str(refusal.value)


def test_notes_that_a_cut_file_lacks_are_counted(tmp_path):
    take = take_of(plan(), FIGURES, room=ROOM)
    found = learned(tmp_path, take[: round((LEAD_S + 8.0) * 48_000)], plan())
    assert all("outside the file" in why for player in found.players for why in player.unknown)
    assert all(player.attack is None and player.decay is None for player in found.players)


def test_nothing_is_stated_that_noise_hides_and_the_line_says_so(tmp_path):
    take = take_of(plan(), FIGURES, room=ROOM, noise_db=0.0)
    players = learned(tmp_path, take, plan(), unheard=True).players
    for player in players:
        assert player.attack is None or abs(player.attack.figure_s - FIGURES[player.name][0]) < 0.02
    assert any(player.unknown for player in players)


def test_a_decay_that_may_be_that_of_a_longer_room_is_not_stated_until_the_room_is_told(tmp_path):
    figures = {name: (attack_s, 0.9) for name, (attack_s, _) in FIGURES.items()}
    take = take_of(plan(), figures, room=ROOM)
    for player in learned(tmp_path, take, plan()).players:
        assert player.decay is None
        assert "tell the room with --reverberation-s" in player.unknown[-1]
    told = learned(tmp_path, take, plan(), reverberation_s=ROOM.reverberation_s)
    for player in told.players:
        assert player.decay.figure_s == pytest.approx(0.9, rel=0.2), player.name

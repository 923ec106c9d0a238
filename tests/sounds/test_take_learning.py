"""Figures of people learned from takes: made ones, of which everything is known."""

import dataclasses
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import numpy as np
import pytest
import soundfile

from retro.errors import TakeError
from retro.measuring.microphones import Microphone
from retro.model.sound import Room
from retro.read.plan_file import PlanFile
from retro.sounds.edge_fit import ATTACKS_S, fitted
from retro.sounds.free_notes import Edge, Found, take_notes
from retro.sounds.take_figures import Misfit, why_not
from retro.sounds.take_learning import LearnedTake, learn_take
from tests.sounds.made_takes import LEAD_S, all_at_once, plan_of, take_of, taking_turns, write_song

ROOM = Room(0.5, 10.0)
BARS = 28
FIGURES = {
    "Oboe": (0.04, 0.2),
    "Horn in F": (0.06, 0.3),
    "Violin I": (0.065, 0.25),
    "Harp": (0.012, 4.0),
    "Timpani": (0.01, 1.6),
}
"""Attack and decay in seconds."""

TOO_FEW = (
    "attack: 8 free notes say about 80 ms and leave it open by 32 %, more than 9 %; some 105 of "
    "several pitches would do"
)
SUSTAINED = ("Oboe", "Horn in F", "Violin I")


@cache
def plan(*, names: tuple[str, ...] = SUSTAINED, seed: int = 1, dense: bool = False) -> PlanFile:
    """Return the plan of a study's insert."""
    make = all_at_once if dense else taking_turns
    path = Path(mkdtemp()) / "study.mid"
    return plan_of(write_song(path, make(names, bars=BARS, seed=seed), bars=BARS), ROOM)


def learned(
    folder: Path,
    sound: np.ndarray,
    of: PlanFile,
    *,
    rate: int = 48_000,
    lead_s: float = LEAD_S,
    parts: tuple[int, ...] = (),
    **told: object,
) -> LearnedTake:
    """Return what one microphone says."""
    path = folder / "take.wav"
    soundfile.write(path, sound, rate, subtype="PCM_24")
    start = round(lead_s * rate)
    return learn_take([Microphone(path=path, phrase_start_samples=start, parts=parts)], of, **told)


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


def test_a_section_s_own_microphone_is_heard_for_that_section(tmp_path):
    of = plan(dense=True, names=("Oboe", "Horn in F", "Bassoon"), seed=4)
    figures = {**FIGURES, "Bassoon": (0.05, 0.3)}
    files = {}
    for name, near in {"Main": None, "Horn": "Horn in F"}.items():
        gains = {player: 1.0 if near in (None, player) else 0.04 for player in figures}
        room = ROOM if near is None else Room(0.5, 20.0)
        files[name] = tmp_path / f"{name}.wav"
        take = take_of(of, figures, room=room, gains=gains)
        soundfile.write(files[name], take, 48_000, subtype="PCM_24")
    start = round(LEAD_S * 48_000)
    horn = next(part.index for part in of.parts if part.name == "Horn in F")
    found = learn_take(
        [
            Microphone(path=files["Main"], phrase_start_samples=start),
            Microphone(path=files["Horn"], phrase_start_samples=start, parts=(horn,)),
        ],
        of,
    )
    by_name = {player.name: player for player in found.players}
    assert by_name["Horn in F"].microphones == ("Horn.wav",)
    assert by_name["Oboe"].microphones == ("Main.wav",)
    attack_s, _ = figures["Horn in F"]
    assert by_name["Horn in F"].attack.figure_s == pytest.approx(attack_s, abs=0.01)
    assert by_name["Bassoon"].attack is None
    assert by_name["Bassoon"].unknown


def test_an_attack_is_heard_in_all_microphones_that_hear_everyone_but_those_that_are_spoiled(
    tmp_path,
):
    of, start = plan(), round(LEAD_S * 48_000)
    microphones = []
    for at, name in enumerate(("Left", "Right", "Hall")):
        sound = take_of(of, FIGURES, room=ROOM, microphone=at)
        path = tmp_path / f"{name}.wav"
        loud = np.clip(6.0 * sound, -1.0, 1.0) if name == "Hall" else sound * (1.0 - 0.2 * at)
        soundfile.write(path, loud, 48_000, subtype="PCM_24")
        microphones.append(Microphone(path=path, phrase_start_samples=start))
    found = learn_take(microphones, of)
    assert [why.split(":")[0] for why in found.left_out] == ["Hall.wav"]
    for player in found.players:
        attack_s, _ = FIGURES[player.name]
        assert player.microphones == ("Left.wav", "Right.wav")
        assert player.attack.figure_s == pytest.approx(attack_s, abs=0.005), player.name
        assert abs(player.attack.figure_s - attack_s) <= player.attack.spread_s
        assert player.attack.notes <= len(of.notes) / 2


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

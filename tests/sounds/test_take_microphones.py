"""In which microphones of a take each player is heard."""

import numpy as np
import pytest
import soundfile

from retro.measuring.microphones import Microphone
from retro.model.sound import Room
from retro.sounds.take_learning import learn_take
from tests.sounds.made_study import FIGURES, ROOM, plan
from tests.sounds.made_takes import LEAD_S, take_of


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

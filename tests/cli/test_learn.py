"""`retro probe`, `retro learn` and `retro build --sounds`, as an arranger uses them."""

import json
import re
import tomllib
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile

from retro.cli.build import build
from retro.cli.learn import learn
from retro.cli.probe import probe
from retro.errors import AudioError, MidiError, SettingsError, TakeError, WriteError
from retro.model.sound import Room
from retro.read.plan_file import read_plan
from retro.read.sounds import read_sounds
from retro.sounds.probe import length_s, read_probe
from retro.units import pitch_to_hz
from tests.sounds.made_takes import LEAD_S, plan_text, take_of, taking_turns, write_song
from tests.sounds.made_tones import made_tone

STUDY = Path(__file__).parents[2] / "examples" / "studies" / "violin_run.mid"
RATE = 44_100
ATTACK_S, DECAY_S = 0.14, 0.5
NOBODY = """[[player]]
name = "Nobody"
attack_s = 0.1
attack_spread_s = 0.0
decay_s = 1.0
decay_spread_s = 0.0
"""
TOO_SLOW = NOBODY.replace("attack_s = 0.1", "attack_s = 9.0")


@pytest.fixture(scope="module")
def loop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a probe, its bounce and what was learned of it."""
    folder = tmp_path_factory.mktemp("loop")
    probe(STUDY, folder / "probe.mid")
    tones = read_probe(folder / "probe.mid")
    sound = np.zeros((round(length_s(tones) * RATE), 2))
    for tone in tones:
        piece = made_tone(
            pitch_hz=pitch_to_hz(tone.pitch),
            attack_s=ATTACK_S,
            decay_s=DECAY_S,
            held_s=tone.held_s,
            rate=RATE,
        )
        first = round(tone.on_s * RATE)
        sound[first : first + len(piece)] += piece
    soundfile.write(folder / "probe.wav", sound, RATE, subtype="PCM_24")
    learn([folder / "probe.wav"], folder / "sounds.toml", probe=folder / "probe.mid")
    return folder


def test_what_is_learned_stands_in_a_file_and_is_what_played_mid_is_planned_with(
    loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    written = tomllib.loads((loop / "sounds.toml").read_text(encoding="utf-8"))
    (player,) = written["player"]
    assert player["attack_s"] == pytest.approx(ATTACK_S, abs=0.005)
    assert player["decay_s"] == pytest.approx(DECAY_S, rel=0.1)
    out = loop / "pack"
    build(STUDY, out, sounds=str(loop / "sounds.toml"), only=["engineer"], quiet=True)
    capsys.readouterr()
    notes = json.loads((out / "plan.json").read_text(encoding="utf-8"))["notes"]
    assert all(note["attack_s"] == pytest.approx(ATTACK_S, abs=0.01) for note in notes)
    assert all(note["decay_s"] == pytest.approx(DECAY_S, rel=0.25) for note in notes)
    assert any(abs(note["written_attack_s"] - ATTACK_S) > 0.02 for note in notes)


def test_learning_says_what_it_found_and_writes_over_nothing(
    loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    learn([loop / "probe.wav"], loop / "again.toml", probe=loop / "probe.mid")
    said = capsys.readouterr().err
    assert "attack 1" in said
    assert re.search(r"the probe begins at -?0\.00[012] s", said)
    with pytest.raises(WriteError, match="the file exists"):
        learn([loop / "probe.wav"], loop / "again.toml", probe=loop / "probe.mid")
    with pytest.raises(WriteError, match="the file exists"):
        probe(STUDY, loop / "probe.mid")


def test_the_wrong_files_are_refused_by_name(loop: Path, tmp_path: Path) -> None:
    out = tmp_path / "sounds.toml"
    with pytest.raises(MidiError, match=r"violin_run\.mid: is no probe"):
        learn([loop / "probe.wav"], out, probe=STUDY)
    with pytest.raises(AudioError, match="not an audio file"):
        learn([loop / "probe.mid"], out, probe=loop / "probe.mid")
    silent = tmp_path / "silent.wav"
    soundfile.write(silent, np.zeros((60 * RATE, 1)), RATE)
    with pytest.raises(TakeError, match=r"silent\.wav: is silent"):
        learn([silent], out, probe=loop / "probe.mid")
    assert not out.exists()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "missing required field `player`"),
        ("player = 3", "Expected `array`"),
        (TOO_SLOW, "attack_s = 9: want a number from 0 to 2 s"),
        ("[[", "is no file of learned sounds"),
    ],
)
def test_a_file_that_holds_no_learned_sounds_is_refused(tmp_path: Path, text, words) -> None:
    path = tmp_path / "sounds.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=words) as refusal:
        read_sounds(path)
    assert "\n" not in str(refusal.value)


def test_a_player_whose_sounds_were_not_learned_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "sounds.toml"
    path.write_text(NOBODY, encoding="utf-8")
    build(STUDY, tmp_path / "pack", sounds=str(path), only=["engineer"], everything=True)
    assert "the learned sounds say nothing of Solo Violin" in capsys.readouterr().err


PEOPLE = """[[player]]
name = "Solo Violin"
performer = "people"
attack_s = 0.21
attack_spread_s = 0.01
attack_notes = 7
"""
SAMPLER = PEOPLE.replace("people", "sampler").replace("0.21", "0.03")


def test_figures_of_people_are_for_paper_and_those_of_a_sampler_for_played_mid(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "sounds.toml"
    found = {}
    for name, text in {"usual": "", "people": PEOPLE, "both": PEOPLE + SAMPLER}.items():
        path.write_text(text or "player = []", encoding="utf-8")
        out = tmp_path / name
        build(STUDY, out, sounds=str(path), only=["engineer"], everything=True)
        found[name] = json.loads((out / "plan.json").read_text(encoding="utf-8"))["notes"]
    keys = ("attack_s", "decay_s", "written_attack_s", "written_decay_s")
    usual, people, both = (
        [{key: note[key] for key in keys} for note in found[name]] for name in found
    )
    assert people == [{**note, "written_attack_s": 0.21} for note in usual]
    assert both == [{**note, "attack_s": 0.03} for note in people]
    assert "say nothing of Solo Violin" in capsys.readouterr().err


def test_a_player_of_whom_a_file_says_nothing_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "sounds.toml"
    path.write_text('[[player]]\nname = "Harp"\n', encoding="utf-8")
    with pytest.raises(SettingsError, match="Harp: neither attack_s nor decay_s is stated"):
        read_sounds(path)
    path.write_text(PEOPLE.replace("people", "choir"), encoding="utf-8")
    with pytest.raises(SettingsError, match="is no file of learned sounds"):
        read_sounds(path)


TAKE_ROOM = Room(0.5, 12.0)
PEOPLE_PLAY = {"Oboe": (0.04, 0.2), "Horn in F": (0.08, 0.9)}
BARS = 16


@pytest.fixture(scope="module")
def taken(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a plan, and a main and a spot microphone of a take of its insert."""
    folder = tmp_path_factory.mktemp("taken")
    song = write_song(folder / "study.mid", taking_turns(list(PEOPLE_PLAY), bars=BARS), bars=BARS)
    (folder / "plan.json").write_bytes(plan_text(song, TAKE_ROOM))
    (folder / "take").mkdir()
    for name, others in {"Main": 1.0, "Horn_close": 0.03}.items():
        plan, gains = read_plan(folder / "plan.json"), {"Oboe": others}
        sound = take_of(plan, PEOPLE_PLAY, room=TAKE_ROOM, gains=gains)
        soundfile.write(folder / "take" / f"{name}.wav", sound, 48_000, subtype="PCM_24")
    return folder


def test_a_take_tells_how_its_people_play_and_the_next_plan_has_it_on_paper(
    taken: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "people.toml"
    start = round(LEAD_S * 48_000)
    learn([taken / "take"], out, plan=taken / "plan.json", phrase_start=start, reverberation_s=0.5)
    said = capsys.readouterr().err
    assert re.search(r"Main\.wav: the insert is heard there, \d+\.\d deviations above", said)
    assert re.search(r"Oboe: attack \d+ ms, ± \d+, of \d+ notes; decay 0\.\d\d s, ± ", said)
    assert "people.toml: 2 of 2 players, for paper" in said
    read = {figures.name: figures for figures in read_sounds(out)}
    assert {figures.performer for figures in read.values()} == {"people"}
    assert read["Horn in F"].decay_s == pytest.approx(0.9, rel=0.2)
    told = {"sounds": str(out), "only": ["engineer"], "quiet": True, "reverberation_s": 0.5}
    build(taken / "study.mid", tmp_path / "pack", **told)
    notes = json.loads((tmp_path / "pack" / "plan.json").read_text(encoding="utf-8"))["notes"]
    usual = json.loads((taken / "plan.json").read_text(encoding="utf-8"))["notes"]
    assert [n["decay_s"] for n in notes] == [n["decay_s"] for n in usual]
    shorter = [
        Fraction(n["written_off_beats"]) < Fraction(u["written_off_beats"])
        for n, u in zip(notes, usual, strict=True)
        if n["part"] == 1
    ]
    assert any(shorter)


def test_what_makes_no_sense_with_a_take_or_a_probe_is_refused(taken: Path, tmp_path: Path) -> None:
    out, plan = tmp_path / "sounds.toml", taken / "plan.json"
    files = [taken / "take" / "Main.wav"]
    with pytest.raises(SettingsError, match="of a probe or of a take"):
        learn(files, out)
    with pytest.raises(SettingsError, match="of a probe or of a take"):
        learn(files, out, probe=taken / "probe.mid", plan=plan)
    with pytest.raises(SettingsError, match="belong to a take"):
        learn(files, out, probe=taken / "probe.mid", phrase_start=480)
    with pytest.raises(SettingsError, match="names none of the files"):
        learn(files, out, plan=plan, mic=["Tuba.wav=Tuba"])
    with pytest.raises(TakeError, match=r"Main\.wav: .*; --unheard learns all the same"):
        learn(files, out, plan=plan, phrase_start=round((LEAD_S + 3.0) * 48_000))
    sound, rate = soundfile.read(files[0])
    short = tmp_path / "short.wav"
    soundfile.write(short, sound[: 8 * rate], rate)
    with pytest.raises(TakeError, match="nothing can be learned of anybody"):
        learn([short], out, plan=plan, phrase_start=round(LEAD_S * rate), unheard=True)
    assert not out.exists()

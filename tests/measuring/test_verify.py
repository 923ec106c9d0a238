"""`retro flip` listens whether the insert lies where it is told, before it turns anything round."""

import json
import re
import struct
from dataclasses import replace

import numpy as np
import pytest
import soundfile
import typer
from typer.testing import CliRunner

from retro.cli.flip import flip as flip_command
from retro.day.ticks import hear_patterns
from retro.errors import AudioError, TakeError
from retro.measuring.microphones import Microphone
from retro.measuring.verify import best_microphones, verify_insert
from retro.read.plan_file import parse_plan
from retro.takes.manifest import read_manifest
from tests.measuring.orchestra_take import (
    RATE,
    ensemble_plan,
    in_room,
    tone_take,
    with_clicks,
    with_noise,
)

pytestmark = pytest.mark.usefixtures("unflushed")

BEFORE_S = 28.5
START = round((BEFORE_S + 2.0) * RATE)
"""The take begins with tuning up; 1464000 at 48 kHz."""

SEEDS = range(6)


@pytest.fixture(scope="module")
def takes(tmp_path_factory):
    """Return six inserts: the plan's file, and a take of it in a room with noise and click."""
    folder = tmp_path_factory.mktemp("takes")
    made = []
    for seed in SEEDS:
        document = ensemble_plan(seed, parts_count=6)
        document["settings"]["session_start"] = "01:00:00:00"
        plan_path = folder / f"plan{seed}.json"
        plan_path.write_text(json.dumps(document), "utf-8")
        plan = parse_plan(plan_path.read_bytes(), where="plan.json")
        heard = in_room(tone_take(plan, 0.02, attack_s=0.05), 1.2, seed=seed)
        heard = with_noise(with_clicks(heard, document), 20.0)
        before = 0.01 * np.random.default_rng(seed).standard_normal(round(BEFORE_S * RATE))
        path = folder / f"take {seed}.flac"
        both = np.concatenate((before, heard * (0.5 / np.abs(heard).max())))
        soundfile.write(path, both, RATE, subtype="PCM_16")
        made.append((plan_path, path))
    return made


@pytest.mark.parametrize(("octaves", "sounds"), [(-1, "above"), (1, "below")])
def test_a_plan_that_is_an_octave_off_is_refused_and_says_so(takes, octaves, sounds):
    for plan_path, path in takes[:2]:
        plan = parse_plan(plan_path.read_bytes(), where="plan.json")
        off = [replace(note, pitch=note.pitch + 12 * octaves) for note in plan.notes]
        microphone = Microphone(path=path, phrase_start_samples=START)
        with pytest.raises(TakeError, match=f"sounds an octave {sounds} the plan"):
            verify_insert([microphone], replace(plan, notes=tuple(off)))


def flip(path, plan_path, start, out, *more):
    app = typer.Typer()
    app.command()(flip_command)
    words = [path, "--plan", plan_path, "--phrase-start", start, "--out", out, *more]
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.mark.parametrize("seed", SEEDS)
def test_the_true_take_is_flipped_and_says_what_it_is(takes, tmp_path, seed):
    plan_path, path = takes[seed]
    done = flip(path, plan_path, START, tmp_path / "out", "--take", "3")
    assert done.exit_code == 0, done.output
    assert f"The insert is heard there in {path.name}" in done.stdout
    said = read_manifest(tmp_path / "out").insert
    assert (said.letter, said.take, said.phrase_start_frame) == ("A", "3", START)
    assert said.heard_in == path.name
    assert said.over_chance > 3.5
    assert said.doubt is None
    assert said.lateness_ms is None


@pytest.mark.parametrize("seed", SEEDS)
def test_the_wrong_plan_is_refused(takes, tmp_path, seed):
    _, path = takes[seed]
    plan_path, _ = takes[(seed + 1) % len(takes)]
    done = flip(path, plan_path, START, tmp_path / "out")
    assert isinstance(done.exception, TakeError)
    assert "does not sound like the insert" in str(done.exception)
    assert not (tmp_path / "out").exists()


def dropped(start):
    """Return a number with each of its digits left out in turn."""
    digits = str(start)
    return sorted({int(digits[:k] + digits[k + 1 :]) for k in range(len(digits))})


@pytest.mark.parametrize("seed", SEEDS)
def test_a_phrase_start_that_lost_a_digit_is_refused_with_the_true_place(takes, tmp_path, seed):
    plan_path, path = takes[seed]
    starts = dropped(START)
    for start in starts if seed == 0 else [starts[seed % len(starts)]]:
        done = flip(path, plan_path, start, tmp_path / "out")
        assert isinstance(done.exception, TakeError)
        told = re.search(r"it seems to begin about frame (\d+)", str(done.exception))
        assert told, done.exception
        assert int(told[1]) == pytest.approx(START, abs=0.06 * RATE)
    assert not (tmp_path / "out").exists()


def test_of_two_takes_the_nearer_is_named(takes, tmp_path):
    """One lies 2 s before the told place, one 40 s behind it, louder and clearer."""
    plan_path, path = takes[2]
    plan = parse_plan(plan_path.read_bytes(), where="plan.json")
    heard, _ = soundfile.read(path)
    both = np.zeros(START + 42 * RATE + len(heard))
    both[: len(heard)] += 0.5 * heard
    clear = tone_take(plan, 0.02, attack_s=0.02)
    both[START + 40 * RATE :][: len(clear)] += clear * (0.5 / np.abs(clear).max())
    soundfile.write(tmp_path / "long.flac", both, RATE, subtype="PCM_16")
    microphone = Microphone(path=tmp_path / "long.flac", phrase_start_samples=START + 2 * RATE)
    with pytest.raises(TakeError) as refused:
        verify_insert([microphone], plan)
    told = re.search(r"it seems to begin about frame (\d+)", str(refused.value))
    assert int(told[1]) == pytest.approx(START, abs=0.06 * RATE)


@pytest.mark.parametrize("off_s", [-1.0, -0.25, 0.25, 1.0])
def test_a_phrase_start_that_is_off_by_less_than_a_beat_is_refused(takes, tmp_path, off_s):
    plan_path, path = takes[0]
    done = flip(path, plan_path, START + round(off_s * RATE), tmp_path / "out")
    assert "it seems to begin about frame 14" in str(done.exception)


def test_who_insists_is_obeyed_and_the_manifest_says_so(takes, tmp_path):
    plan_path, path = takes[0]
    done = flip(path, plan_path, START - RATE, tmp_path / "out", "--unheard")
    assert done.exit_code == 0, done.output
    assert "--unheard" in done.stderr
    said = read_manifest(tmp_path / "out").insert
    assert said.heard_in is None
    assert "--unheard" in said.doubt


def test_a_stated_lateness_moves_the_place_at_which_it_is_heard(takes, tmp_path):
    plan_path, path = takes[0]
    early = START - RATE // 4
    done = flip(path, plan_path, early, tmp_path / "out", "--late-ms", 250)
    assert done.exit_code == 0, done.output
    assert read_manifest(tmp_path / "out").insert.lateness_from == "stated"


def test_a_measured_lateness_gives_the_place_its_own_doubt(takes, tmp_path):
    plan_path, path = takes[1]
    plain = flip(path, plan_path, START, tmp_path / "plain")
    done = flip(path, plan_path, START, tmp_path / "out", "--measure")
    said = read_manifest(tmp_path / "out").insert
    assert said.lateness_from.startswith("measured")
    assert 0.0 < said.lateness_uncertainty_ms < 60.0
    spread = f"give or take {said.lateness_uncertainty_ms / 1.96:.0f} ms"
    assert spread in done.stdout
    assert spread not in plain.stdout


def test_a_silent_take_is_refused(takes, tmp_path):
    plan_path, _ = takes[0]
    soundfile.write(tmp_path / "silent.wav", np.zeros(START + 20 * RATE), RATE, "PCM_16")
    done = flip(tmp_path / "silent.wav", plan_path, START, tmp_path / "out")
    assert "the phrase is silent" in str(done.exception)


def test_of_many_microphones_few_are_read(takes, tmp_path, monkeypatch):
    """A dead hall microphone, and a hundred that hear it all."""
    plan_path, path = takes[0]
    plan = parse_plan(plan_path.read_bytes(), where="plan.json")
    dead = tmp_path / "dead.wav"
    soundfile.write(dead, np.zeros(START + 20 * RATE, dtype=np.int16), RATE, "PCM_16")
    many = [Microphone(path=dead, phrase_start_samples=START)]
    many += [Microphone(path=path, phrase_start_samples=START)] * 100
    listened = []
    monkeypatch.setattr(
        "retro.measuring.verify.hear_take",
        lambda path, **start: listened.append(path) or hear(path, **start),
    )
    verdict = verify_insert(many, plan)
    assert verdict.doubt is None
    assert listened == [path]
    assert len(best_microphones(many, plan)) == 3


def hear(path, **start):
    from retro.measuring.listen import hear_take  # noqa: PLC0415

    return hear_take(path, **start)


def test_a_file_whose_sound_cannot_be_decoded_says_so_and_what_to_do(takes, tmp_path):
    """An RF64 file with a chunk of odd length before its samples (EBU Tech 3306; RIFF pads it)."""
    plan_path, path = takes[0]
    sound = soundfile.read(path, dtype="int16")[0].astype("<i2").tobytes()
    form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, RATE, 2 * RATE, 2, 16)
    odd = struct.pack("<4sI4s", b"note", 3, b"abc")
    data = struct.pack("<4sI", b"data", 0xFFFFFFFF) + sound
    whole = 4 + 36 + len(form + odd + data)
    sizes = struct.pack("<4sIQQQI", b"ds64", 28, whole, len(sound), len(sound) // 2, 0)
    file = tmp_path / "odd.wav"
    file.write_bytes(
        struct.pack("<4sI4s", b"RF64", 0xFFFFFFFF, b"WAVE") + sizes + form + odd + data
    )
    done = flip(file, plan_path, START, tmp_path / "out")
    assert done.exit_code == 0, done.output
    told = read_manifest(tmp_path / "out").insert.doubt
    assert "odd.wav: not an audio file that can be decoded here (Error in RF64 file" in told
    assert told.endswith("save it there as plain WAV, W64 or FLAC and give that")
    with pytest.raises(AudioError, match="not an audio file that can be decoded here"):
        hear_patterns(file, [(0, 1, 3)])


def test_too_few_attacks_are_flipped_as_not_verified(tmp_path):
    document = ensemble_plan(0, parts_count=2)
    plan = parse_plan(json.dumps(document).encode(), where="plan.json")
    few = replace(plan, notes=plan.notes[:8])
    path = tmp_path / "noise.wav"
    soundfile.write(path, 0.1 * np.random.default_rng(0).standard_normal(20 * RATE), RATE, "PCM_16")
    verdict = verify_insert([Microphone(path=path, phrase_start_samples=2 * RATE)], few)
    assert verdict.doubt == "8 attacks are too few to tell whether the insert lies there"

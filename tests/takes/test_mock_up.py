"""`retro flip --mock-up` lays a bounce of `played.mid` where its tones were computed to land."""

import json

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from retro.cli import app
from retro.model.settings import Settings
from retro.plan.compose import plan_song
from retro.plan.document import plan_json
from retro.read.midi import read_song_bytes
from retro.render.midi_file import smf_bytes
from retro.takes.manifest import read_manifest
from tests.conftest import make_note, make_part, make_phrase

pytestmark = pytest.mark.usefixtures("unflushed")

RATE = 48_000
COUNT_IN_S = 4.0
"""Two bars of 4/4 at 120 quarters a minute."""


@pytest.fixture
def plan_path(tmp_path):
    """A violin's note that ends off the grid, so that paper and `played.mid` differ."""
    part = make_part(make_note("1.2", "6.6", 69), name="Violins I", program=48)
    midi = smf_bytes(make_phrase(part, bars=2, us_per_quarter=500_000), ticks_per_quarter=480)
    song = read_song_bytes(midi, "song.mid")
    path = tmp_path / "plan.json"
    path.write_bytes(
        plan_json(plan_song(song, Settings(session_start="01:00:00:00", keep_gaps=True)))
    )
    return path


def bounce(path, plan_document) -> float:
    """Write a bounce with one sample where the note begins to be played, and say when it lands."""
    (note,) = plan_document["notes"]
    sound = np.zeros(round(RATE * (COUNT_IN_S + 12.0)))
    sound[round(RATE * (COUNT_IN_S + note["played_on_s"]))] = 0.5
    soundfile.write(path, sound, RATE, "PCM_24")
    length_s = plan_document["insert"]["length_s"]
    return float(length_s) - note["played_on_s"]


def flip(tmp_path, *more: object):
    command = ["flip", tmp_path / "bounce.wav", "--plan", tmp_path / "plan.json", "--mock-up"]
    command += ["--unheard"]  # single frames for the notes: nothing that could be heard
    command += ["--out", tmp_path / "out", *more]
    return CliRunner().invoke(app, [str(word) for word in command])


def test_what_is_played_lies_in_the_song_where_it_was_computed(tmp_path, plan_path):
    document = json.loads(plan_path.read_bytes())
    assert document["placement"]["shift_ms"] != 0.0
    mirrored_s = bounce(tmp_path / "bounce.wav", document)
    done = flip(tmp_path, "--range", "0-")
    assert done.exit_code == 0, done.output
    (file,) = read_manifest(tmp_path / "out").files
    clip, _ = soundfile.read(tmp_path / "out" / file.output)
    at = file.time_reference - 3_600 * RATE + int(np.argmax(np.abs(clip)))
    # The frame that holds an instant is, turned round, the one before it.
    assert at == pytest.approx(mirrored_s * RATE, abs=1.0)


@pytest.mark.parametrize("more", [("--phrase-start", 5), ("--late-ms", 3), ("--measure",)])
def test_what_a_mock_up_knows_is_not_stated_too(tmp_path, plan_path, more):
    bounce(tmp_path / "bounce.wav", json.loads(plan_path.read_bytes()))
    done = flip(tmp_path, *more)
    assert done.exit_code != 0
    assert "leave out" in str(done.exception)


def test_a_mock_up_needs_its_plan(tmp_path):
    done = CliRunner().invoke(app, ["flip", "a.wav", "--mock-up", "--out", str(tmp_path / "out")])
    assert "give --plan" in str(done.exception)


def test_the_bounces_of_several_played_files_are_laid_at_one_place(tmp_path, plan_path):
    bounce(tmp_path / "bounce.wav", json.loads(plan_path.read_bytes()))
    sound, _ = soundfile.read(tmp_path / "bounce.wav")
    longer = np.concatenate((sound, np.zeros(RATE)))
    soundfile.write(tmp_path / "bounce-2.wav", longer, RATE, "PCM_24")
    done = flip(tmp_path, tmp_path / "bounce-2.wav")
    assert done.exit_code == 0, done.output
    one, other = read_manifest(tmp_path / "out").files
    assert one.time_reference == other.time_reference
    clips = [soundfile.read(tmp_path / "out" / file.output)[0] for file in (one, other)]
    np.testing.assert_array_equal(*clips)

"""`retro draft` writes a target that builds at once; `retro swell` answers the other way."""

import json
import math
import shutil
from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner

from retro.cli import app
from retro.cli.draft import draft
from retro.cli.swell import swell
from retro.errors import RetroError, SettingsError, WindowError, WriteError
from retro.files.together import together
from retro.model.findings import FindingKind
from retro.pack.copyist import copy_out
from retro.plan.compose import plan_file
from retro.read.settings import beside, load_settings, read_settings
from retro.read.target import read_song
from tests.example import TARGET
from tests.files.trees import names, tree


def test_a_draft_for_a_bar_of_a_song_is_planned_in_its_bars(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "swell.mid"
    draft(out, "Violins I, Violas, Celli", chord="Dm7", song=TARGET, bar=33, length_beats="6")
    plan = plan_file(out, load_settings(beside(out), {}))
    assert (plan.window.start_bar, plan.window.end_bar) == (31, 32)
    ends = {note.target.off_beats for note in plan.performance.notes}
    assert ends == {plan.window.length_beats}
    said = capsys.readouterr()
    assert said.out.splitlines()[0].startswith("Violin I: ")
    assert "lands on bar 33 beat 1" in said.err


def test_a_draft_without_a_song_is_as_long_as_its_swell(tmp_path: Path) -> None:
    out = tmp_path / "swell.mid"
    draft(out, "flute, oboe", pitches="C5 G5", meter="3/4", length_beats="6", tempo=60.0)
    plan = plan_file(out, load_settings(beside(out), {}))
    assert beside(out) is None
    assert plan.window.length_s == 6
    assert [str(bar.meter) for bar in plan.performance.target.bars] == ["3/4", "3/4"]


def test_a_drafted_cymbal_swells_into_the_landing_as_everybody_does(tmp_path: Path) -> None:
    out = tmp_path / "swell.mid"
    draft(out, "Cymbals, Timpani", pitches="D3 A3", length_beats="8")
    performance = plan_file(out, load_settings(beside(out), {})).performance
    last_s = max(note.target_off_s for note in performance.notes)
    last = [note for note in performance.notes if note.target_off_s == last_s]
    assert sorted(performance.players[note.part].name for note in last) == ["Cymbals", "Timpani"]
    for note in performance.notes:
        assert note.lands_s == pytest.approx(note.target_off_s, abs=0.001)


def test_a_swell_that_no_stroke_lasts_for_is_a_roll(tmp_path: Path) -> None:
    out = tmp_path / "swell.mid"
    draft(out, "Timpani f, Tam-tam", pitches="G2", length_beats="8", tempo=92.0, range_db=36.0)
    roll, stroke = read_song(out).phrase.parts
    assert len(stroke.notes) == 1
    # 32nds at 92 are 12.3 a second; the level rises by 36 dB, 40 log10 of the velocity.
    assert {note.length_beats for note in roll.notes} == {Fraction(1, 8)}
    assert (roll.notes[0].on_beats, roll.notes[-1].off_beats) == (0, 8)
    velocities = [note.velocity for note in roll.notes]
    assert velocities == sorted(velocities)
    assert velocities[-1] == 96
    assert 40 * math.log10(velocities[31] / velocities[-1]) == pytest.approx(-18.0, abs=0.5)
    plan = plan_file(out, load_settings(beside(out), {}))
    assert FindingKind.SHORT not in {finding.kind for finding in plan.findings}


def test_a_roll_is_printed_as_one(tmp_path: Path) -> None:
    out = tmp_path / "swell.mid"
    draft(out, "Timpani", pitches="G2", length_beats="8", tempo=92.0)
    plan = plan_file(out, load_settings(beside(out), {}))
    page = ElementTree.fromstring(copy_out(plan).xml.score)
    assert [tremolo.text for tremolo in page.iter("tremolo")] == ["3", "3"]
    assert [wedge.get("type") for wedge in page.iter("wedge")] == ["diminuendo", "stop"]


def test_a_chord_of_the_song_is_dealt_to_a_family_of_the_song(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    draft(tmp_path / "swell.mid", "brass pp", like="32", song=TARGET, bar=33)
    said = capsys.readouterr().out.splitlines()
    assert [line.partition(":")[0] for line in said] == [
        "Horn in F 1.2",
        "Trumpet in C",
        "Bass Trombone",
    ]
    parts = read_song(tmp_path / "swell.mid").phrase.parts
    assert {note.velocity for part in parts for note in part.notes} == {32}


def test_a_pitch_that_a_player_has_not_got_is_refused_with_the_nearest_octave(
    tmp_path: Path,
) -> None:
    with pytest.raises(SettingsError) as refused:
        draft(tmp_path / "swell.mid", "Flute, Tuba", pitches="D4 C8")
    assert "Flute has no C8, the nearest octave is C7" in str(refused.value)
    with pytest.raises(SettingsError, match="Tuba has no C7, the nearest octave is C4"):
        draft(tmp_path / "swell.mid", "Tuba", pitches="C7")
    assert list(tmp_path.iterdir()) == []


def test_a_swell_that_is_too_long_for_its_landing_says_the_soonest(tmp_path: Path) -> None:
    with pytest.raises(WindowError, match="the soonest that it can land is bar 5 beat 1"):
        draft(tmp_path / "a.mid", "Flute", pitches="C5", song=TARGET, bar=2, length_beats="16")
    with pytest.raises(WindowError, match="the soonest that it can land is bar 2 beat 3"):
        draft(tmp_path / "a.mid", "Flute", pitches="C5", bar=2, length_beats="6")
    draft(tmp_path / "a.mid", "Flute", pitches="C5", bar=2, beat="3", length_beats="6")


def test_a_persons_settings_that_land_a_drafted_drum_on_its_stroke_are_refused(
    tmp_path: Path,
) -> None:
    out = tmp_path / "swell.mid"
    out.with_suffix(".toml").write_text('title = "Mine"\n')
    with pytest.raises(WriteError, match=r'do not let Cymbals swell .*landing = "end"'):
        draft(out, "Cymbals", pitches="D3", length_beats="8", overwrite=True)
    mine = '[[part]]\nmatch = "Cymbals"\nlanding = "end"\n'
    out.with_suffix(".toml").write_text(mine)
    draft(out, "Cymbals", pitches="D3", length_beats="8", overwrite=True)
    assert out.with_suffix(".toml").read_text() == mine


def test_nothing_is_overwritten_unasked(tmp_path: Path) -> None:
    out = tmp_path / "swell.mid"
    draft(out, "flute", pitches="C5", song=TARGET, bar=33)
    before = tree(tmp_path)
    with pytest.raises(WriteError, match="exists already"):
        draft(out, "flute", pitches="D5", song=TARGET, bar=33)
    assert tree(tmp_path) == before
    draft(out, "flute", pitches="D5", song=TARGET, bar=34, overwrite=True)
    assert read_settings(out.with_suffix(".toml")).bars == "32-33"


@pytest.mark.parametrize("overwrite", [False, True])
@pytest.mark.parametrize("text", ["# mine\n", '[window]\nbars = "1-2"\n', "start_marker = 1"])
def test_settings_of_a_person_that_contradict_are_refused(
    text: str, overwrite: bool, tmp_path: Path
) -> None:
    out = tmp_path / "swell.mid"
    out.with_suffix(".toml").write_text(text)
    with pytest.raises(RetroError):
        draft(out, "flute", pitches="C5", song=TARGET, bar=33, overwrite=overwrite)
    assert tree(tmp_path) == {"swell.toml": text}


def test_settings_of_a_person_that_agree_stay(tmp_path: Path) -> None:
    out = tmp_path / "swell.mid"
    mine = 'title = "Mine"\n[window]\nbars = "31-32"\n'
    out.with_suffix(".toml").write_text(mine)
    draft(out, "flute", pitches="C5", song=TARGET, bar=33)
    assert out.with_suffix(".toml").read_text() == mine
    assert names(tmp_path) == ["swell.mid", "swell.toml"]


def test_settings_that_a_person_changed_after_the_draft_are_the_persons(tmp_path: Path) -> None:
    out = tmp_path / "swell.mid"
    draft(out, "flute", pitches="C5", song=TARGET, bar=33)
    settings = out.with_suffix(".toml")
    settings.write_text(settings.read_text() + "[room]\nreverberation_s = 3.0\n")
    before = tree(tmp_path)
    with pytest.raises(WriteError, match="other bars"):
        draft(out, "flute", pitches="C5", song=TARGET, bar=34, overwrite=True)
    assert tree(tmp_path) == before


def test_a_draft_of_a_whole_file_takes_its_older_settings_away(tmp_path: Path) -> None:
    out = tmp_path / "swell.mid"
    draft(out, "flute", pitches="C5", song=TARGET, bar=33)
    draft(out, "flute", pitches="C5", overwrite=True)
    assert names(tmp_path) == ["swell.mid"]


@pytest.mark.parametrize("link", ["symlink_to", "hardlink_to"])
def test_the_song_is_never_the_draft(link: str, tmp_path: Path) -> None:
    song, out = tmp_path / "song.mid", tmp_path / "swell.mid"
    shutil.copy(TARGET, song)
    getattr(out, link)(song)
    with pytest.raises(WriteError, match="input"):
        draft(out, "flute", pitches="C5", song=song, bar=33, overwrite=True)
    assert song.read_bytes() == TARGET.read_bytes()


def test_two_drafts_at_once_are_refused(tmp_path: Path) -> None:
    out = tmp_path / "swell.mid"
    with together(out), pytest.raises(WriteError, match="another run"):
        draft(out, "flute", pitches="C5")
    assert names(tmp_path) == []


@pytest.mark.parametrize(
    "wrong",
    [
        {},
        {"pitches": "C4", "chord": "C"},
        {"chord": "C", "like": "3"},
        {"like": "3"},
        {"like": "3.9", "song": TARGET},
        {"like": "three", "song": TARGET},
        {"pitches": "C4", "length_beats": "0"},
        {"pitches": "C4", "length_beats": "x"},
        {"pitches": "C4", "meter": "4/5"},
        {"pitches": "C4", "tempo": 0.0},
        {"pitches": "C4", "curve": "up"},
        {"pitches": "C4", "velocity": 0},
        {"pitches": "C4", "bar": 1},
        {"pitches": "C4", "bar": 0},
        {"chord": "C", "voicing": "wide"},
    ],
)
def test_what_means_nothing_is_refused_in_one_line(
    wrong: dict[str, object], tmp_path: Path
) -> None:
    with pytest.raises(RetroError) as refused:
        draft(tmp_path / "swell.mid", "flute", **wrong)
    assert "\n" not in str(refused.value)
    assert list(tmp_path.iterdir()) == []


def test_the_natural_swell_in_a_room_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    # With the room alone (D far down) 40 of 60 dB of a 1.5 s room take 1.0 s.
    swell("flute", "C6", reverberation_s=1.5, direct_to_reverberant_db=-40.0, as_json=True)
    (row,) = json.loads(capsys.readouterr().out)
    assert row["swell_s"] == pytest.approx(1.0, abs=0.01)
    assert row["swell_beats"] == pytest.approx(1.0 * 92 / 60, abs=0.02)


def test_the_room_that_fills_some_beats_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    flags = {"direct_to_reverberant_db": -40.0, "as_json": True}
    swell("flute", "C6", beats=4, tempo=60.0, **flags)
    (row,) = json.loads(capsys.readouterr().out)
    # 4 s for 40 of 60 dB is a reverberation time of 6 s.
    assert row["reverberation_s"] == pytest.approx(6.0, abs=0.05)
    swell("harp", "C2", beats=1, tempo=120.0)
    assert "it rings longer by itself" in capsys.readouterr().out
    swell("flute", "C6", beats=100, tempo=60.0)
    assert "no room up to 20 s does it" in capsys.readouterr().out


@pytest.mark.parametrize("name", ["swell.toml", "swell.wav", "swell.musicxml"])
def test_a_draft_takes_no_name_that_promises_another_kind_of_file(
    name: str, tmp_path: Path
) -> None:
    done = CliRunner().invoke(
        app, ["draft", str(tmp_path / name), "--players", "Horn", "--chord", "Dm"]
    )
    assert "a target is a MIDI file; end its name in .mid" in str(done.exception)
    assert list(tmp_path.iterdir()) == []

"""`retro flip`: from a plan and a take to clips that lie in the song to the sample."""

import json
import sys

import numpy as np
import pytest
import soundfile
import typer
from typer.testing import CliRunner

from retro import cli
from retro.cli.flip import flip as flip_command
from retro.errors import RetroError, TakeError, WriteError
from retro.placement.inputs import Session, TakeRange
from retro.placement.place import place_plan
from retro.read.plan_file import parse_plan
from retro.takes.common_range import open_take
from retro.takes.flip_range import landing_frame, plan_flip
from retro.takes.manifest import read_manifest
from retro.units import seconds_to_samples
from tests.takes.sound_files import (
    RATE,
    noise,
    samples,
)

pytestmark = pytest.mark.usefixtures("unflushed")

PHRASE_START = 30_000


@pytest.fixture
def plan_path(tmp_path, plan_document):
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(plan_document), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def plan(plan_document):
    return parse_plan(json.dumps(plan_document).encode(), where="plan.json")


def session_of(plan):
    settings = plan.settings
    return Session(rate=RATE, start=settings.session_start, frame_rate=settings.frame_rate)


def placed(plan, **take):
    return place_plan(
        plan,
        session=session_of(plan),
        take=TakeRange(phrase_start_samples=PHRASE_START, **take),
    )


def make_take(folder, frames, names=("a.wav", "b.wav")):
    folder.mkdir()
    for seed, name in enumerate(names):
        soundfile.write(folder / name, noise(frames, 1, seed), RATE, "PCM_24")
    return folder


def run(*arguments):
    app = typer.Typer()
    app.command()(flip_command)
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_the_clip_runs_from_the_first_attack_to_the_end_of_the_roll(tmp_path, plan, plan_path):
    expected = placed(plan)
    take = make_take(tmp_path / "take", expected.export_end_samples + 5_000)
    done = run(take, "--out", tmp_path / "out", "--plan", plan_path, "--phrase-start", PHRASE_START)
    assert done.exit_code == 0, done.output
    manifest = read_manifest(tmp_path / "out")
    assert manifest.start_frame == expected.export_start_samples < PHRASE_START
    assert manifest.end_frame == expected.export_end_samples
    assert manifest.clip_start_samples == expected.clip_start_samples
    assert manifest.time_reference == expected.time_reference_samples
    assert f"frame {expected.clip_start_samples} of the song" in done.stdout
    assert "untouched" in done.stdout
    for file in manifest.files:
        cut = samples(take / file.source)[manifest.start_frame : manifest.end_frame]
        np.testing.assert_array_equal(samples(tmp_path / "out" / file.output), cut[::-1])
        assert file.time_reference == expected.time_reference_samples


def test_laid_at_its_place_the_phrase_end_falls_on_the_window_start(tmp_path, plan, plan_path):
    """Song frame of the take's frame n is clip start + (end - 1 - n); with the shift taken out,
    the first frame after the phrase comes last before the window."""
    expected = placed(plan)
    take = make_take(tmp_path / "take", expected.export_end_samples, ("a.wav",))
    run(take, "--out", tmp_path / "out", "--plan", plan_path, "--phrase-start", PHRASE_START)
    manifest = read_manifest(tmp_path / "out")
    phrase_end = PHRASE_START + expected.length_samples
    in_song = manifest.clip_start_samples + manifest.end_frame - 1 - phrase_end
    assert in_song - expected.shift_samples == expected.window_start_samples - 1


def test_a_take_that_ends_early_begins_later_by_as_much(tmp_path, plan, plan_path):
    whole = placed(plan)
    take = make_take(tmp_path / "take", whole.export_end_samples - 1_000)
    done = run(take, "--out", tmp_path / "out", "--plan", plan_path, "--phrase-start", PHRASE_START)
    manifest = read_manifest(tmp_path / "out")
    assert manifest.end_frame == whole.export_end_samples - 1_000
    assert manifest.clip_start_samples == whole.clip_start_samples + 1_000
    assert manifest.time_reference == whole.time_reference_samples + 1_000
    assert "1000 frames before the tail" in done.stderr


def test_a_take_without_the_whole_phrase_is_refused(tmp_path, plan, plan_path):
    short = PHRASE_START + placed(plan).length_samples - 1
    take = make_take(tmp_path / "take", short)
    done = run(take, "--out", tmp_path / "out", "--plan", plan_path, "--phrase-start", PHRASE_START)
    assert isinstance(done.exception, TakeError)
    assert not (tmp_path / "out").exists()


def test_a_stated_range_moves_the_clip_with_its_end(tmp_path, plan, plan_path):
    whole = placed(plan)
    take = make_take(tmp_path / "take", whole.export_end_samples)
    end = whole.phrase_end_samples + 4_800
    run(
        *(take, "--out", tmp_path / "out", "--plan", plan_path, "--phrase-start", PHRASE_START),
        *("--range", f"100-{end}"),
    )
    manifest = read_manifest(tmp_path / "out")
    assert (manifest.start_frame, manifest.end_frame) == (100, end)
    assert manifest.clip_start_samples == placed(plan, take_end_samples=end).clip_start_samples


def test_a_stated_range_beyond_the_files_is_refused(tmp_path, plan_path):
    take = make_take(tmp_path / "take", 2_000_000)
    done = run(
        *(take, "--out", tmp_path / "out", "--plan", plan_path, "--phrase-start", PHRASE_START),
        *("--range", "100-2000001"),
    )
    assert isinstance(done.exception, TakeError)
    assert "does not lie in all files" in str(done.exception)


def test_trimming_ends_the_clip_at_the_last_landing_and_says_so(tmp_path, plan, plan_path):
    """The first tone on paper is asked to speak at its written place, by players who place the
    speaking on the click."""
    whole = placed(plan)
    take = make_take(tmp_path / "take", whole.export_end_samples)
    done = run(
        *(take, "--out", tmp_path / "out", "--plan", plan_path, "--phrase-start", PHRASE_START),
        *("--trim", "--fade-out", 5),
    )
    manifest = read_manifest(tmp_path / "out")
    first_written_s = min(plan.insert_tempo.seconds_at(n.written_on_beats) for n in plan.notes)
    landing = PHRASE_START + seconds_to_samples(first_written_s, RATE)
    assert abs(manifest.start_frame - landing) <= 1
    assert manifest.end_frame == whole.export_end_samples
    told = f"{landing - whole.export_start_samples} frames are cut off"
    assert told in done.stderr
    assert told in manifest.notices[0]
    assert "last 240 faded" in done.stdout


def test_players_who_were_late_are_trimmed_later(plan):
    placement = placed(plan)
    as_written = landing_frame(plan, placement)
    late = landing_frame(plan, placement, lateness_s=0.02)
    assert late - as_written == 960


def test_a_tone_written_early_speaks_later_in_the_flip_and_is_trimmed_earlier(plan_document):
    """A landing error on paper of 10 ms more makes what is heard land 10 ms later, which in the
    take, read backwards, is 10 ms earlier."""
    changed = json.loads(json.dumps(plan_document))
    for note in changed["notes"]:
        note["written_landing_error_ms"] += 10.0
    plain, later = (parse_plan(json.dumps(d).encode(), where="p") for d in (plan_document, changed))
    moved = landing_frame(later, placed(plain)) - landing_frame(plain, placed(plain))
    assert abs(moved + 480) <= 1


def test_a_trim_never_moves_a_stated_start_earlier(tmp_path, plan):
    take = open_take([make_take(tmp_path / "take", placed(plan).export_end_samples)])
    landing = landing_frame(plan, placed(plan))
    session = session_of(plan)
    for stated, start in ((landing + 100, landing + 100), (landing - 100, landing)):
        planned = plan_flip(
            plan,
            take,
            session=session,
            phrase_start_samples=PHRASE_START,
            start_frame=stated,
            trim=True,
        )
        assert planned.span.start == start


def test_a_take_that_begins_after_the_first_attack_is_flipped_and_told(tmp_path, plan, plan_path):
    early = PHRASE_START - placed(plan).export_start_samples
    take = make_take(tmp_path / "take", placed(plan).export_end_samples)
    done = run(take, "--out", tmp_path / "out", "--plan", plan_path, "--phrase-start", early - 7)
    assert done.exit_code == 0, done.output
    assert "the files begin 7 frames after the first attack" in done.stderr
    assert read_manifest(tmp_path / "out").start_frame == 0


def test_a_phrase_that_starts_where_the_files_end_is_refused(tmp_path, plan_path):
    take = make_take(tmp_path / "take", PHRASE_START)
    done = run(take, "--out", tmp_path / "out", "--plan", plan_path, "--phrase-start", PHRASE_START)
    assert isinstance(done.exception, TakeError)
    assert "the phrase starts at frame 30000, the files share 0-30000" in str(done.exception)


def test_a_clip_before_midnight_is_refused_with_advice(tmp_path, plan_document):
    early = json.loads(json.dumps(plan_document))
    early["settings"]["session_start"] = "00:00:00:00"
    early["window"]["start_beats"], early["window"]["end_beats"] = 0.0, 16.0
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(early), encoding="utf-8")
    take = make_take(tmp_path / "take", 1_000_000, ("a.wav",))
    common = (take, "--out", tmp_path / "out", "--plan", path, "--phrase-start", PHRASE_START)
    done = run(*common)
    assert isinstance(done.exception, TakeError)
    assert "--session-start 01:00:00:00" in str(done.exception)
    assert not (tmp_path / "out").exists()
    assert run(*common, "--session-start", "01:00:00:00").exit_code == 0
    assert read_manifest(tmp_path / "out").time_reference < 3_600 * RATE


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--phrase-start", "5"], "without a plan"),
        (["--trim"], "without a plan"),
        (["--late-ms", "5"], "without a plan"),
        (["--plan", "plan.json"], "--phrase-start"),
        (["--range", "9"], "no range"),
        (["--range=-5-9"], "no range"),
        (["--range", "0-99999"], "does not lie in all files"),
        (["--names", "{stem}"], "end the pattern"),
        (["--stamp", "-1"], "no time-stamp"),
        (["--fade-out", "1000"], "does not fit"),
        (["--fade-out", "nan"], "does not fit"),
        (["--fade-out", "inf"], "does not fit"),
        (["--plan", "p.json", "--phrase-start", "5", "--late-ms", "nan"], "is no lateness"),
        (["--plan", "p.json", "--phrase-start", "5", "--late-ms", "-inf"], "is no lateness"),
    ],
)
def test_misuse_is_refused_in_one_line_and_writes_nothing(tmp_path, arguments, told):
    take = make_take(tmp_path / "take", 1_000)
    done = run(take, "--out", tmp_path / "out", *arguments)
    assert isinstance(done.exception, RetroError), done.output
    assert told in str(done.exception)
    assert not (tmp_path / "out").exists()


def test_clips_are_not_laid_among_the_sources_of_a_folder(tmp_path):
    take = make_take(tmp_path / "take", 1_000)
    done = run(take, "--out", tmp_path / "take")
    assert isinstance(done.exception, WriteError)
    assert len(list(take.iterdir())) == 2
    assert run(take / "a.wav", "--out", take).exit_code == 0
    assert (take / "a_flipped.wav").is_file()


def test_a_mixed_take_is_shown_as_a_table(tmp_path):
    take = make_take(tmp_path / "take", 1_000)
    soundfile.write(take / "c.wav", noise(999), RATE, "PCM_16")
    done = run(take, "--out", tmp_path / "out")
    assert done.exit_code == 1
    assert "c.wav  48000  999     0          1         16-bit integer  RIFF" in done.stderr
    assert "--range 0-999" in str(done.exception)


def test_without_a_plan_whole_files_are_flipped(tmp_path):
    take = make_take(tmp_path / "take", 1_000)
    done = run(take, "--out", tmp_path / "out", "--names", "x_{stem}{suffix}", "--stamp", 77)
    assert done.exit_code == 0
    assert "x_a.wav" in done.stdout
    assert done.stderr == ""
    np.testing.assert_array_equal(
        samples(tmp_path / "out" / "x_b.wav"), samples(take / "b.wav")[::-1]
    )


def test_no_new_stamp_leaves_plain_files_plain(tmp_path):
    take = make_take(tmp_path / "take", 1_000, ("a.wav",))
    run(take, "--out", tmp_path / "out", "--stamp", 77, "--no-new-stamp")
    assert read_manifest(tmp_path / "out").files[0].time_reference is None
    assert (tmp_path / "out" / "a_flipped.wav").stat().st_size == (take / "a.wav").stat().st_size


def test_an_open_range_reaches_to_the_end(tmp_path):
    take = make_take(tmp_path / "take", 1_000)
    run(take, "--out", tmp_path / "out", "--range", "400-")
    manifest = read_manifest(tmp_path / "out")
    assert (manifest.start_frame, manifest.end_frame) == (400, 1_000)


def test_progress_is_shown_on_a_terminal_only(tmp_path, monkeypatch):
    take = make_take(tmp_path / "take", 1_000)
    monkeypatch.setattr(sys.modules["retro.cli.flip"], "_is_terminal", lambda: True)
    shown = run(take, "--out", tmp_path / "shown")
    quiet = run(take, "--out", tmp_path / "quiet", "--quiet")
    assert "/s" in shown.stderr
    assert quiet.stderr == ""


def test_the_command_is_listed():
    assert "flip" in CliRunner().invoke(cli.app, ["--help"]).stdout


def test_the_library_plans_what_the_command_does(tmp_path, plan):
    take = open_take([make_take(tmp_path / "take", placed(plan).export_end_samples)])
    session = session_of(plan)
    planned = plan_flip(plan, take, session=session, phrase_start_samples=PHRASE_START)
    assert planned.span.start == placed(plan).export_start_samples
    assert planned.notices == ()
    with pytest.raises(TakeError, match="the phrase starts at frame -1"):
        plan_flip(plan, take, session=session, phrase_start_samples=-1)

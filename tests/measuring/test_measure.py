"""Measuring a take: what it finds, what it refuses, and what it says it cannot know."""

import json
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
import typer
from scipy.signal import resample_poly
from typer.testing import CliRunner

from retro.cli.measure import measure as measure_command
from retro.errors import AudioError, TakeError, WriteError
from retro.measuring.decay import BandDecay, RoomDecay
from retro.measuring.groups import Group, HeardGroup
from retro.measuring.measure import _spread_ms, measure_clip, measure_take, rank
from retro.measuring.microphones import expected_attacks
from retro.measuring.table import _room_rows
from retro.model.settings import Settings
from retro.read.plan_file import parse_plan
from retro.read.settings import load_settings
from tests.measuring.orchestra_take import (
    LEAD_S,
    RATE,
    ensemble_plan,
    ensemble_song,
    in_room,
    spoken,
    tone_take,
    with_clicks,
    with_noise,
)
from tests.plan_fixtures import make_plan_document, make_window

START = int(LEAD_S * RATE)


@pytest.fixture(scope="module")
def document():
    return ensemble_plan(0)


@pytest.fixture(scope="module")
def plan(document):
    return parse_plan(json.dumps(document).encode(), where="plan.json")


@pytest.fixture
def save(tmp_path):
    def write(heard, name="take.wav", rate=RATE):
        path = tmp_path / name
        soundfile.write(path, heard, rate, subtype="PCM_24")
        return path

    return write


@pytest.fixture(scope="module")
def on_time(plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("take") / "b.wav"
    soundfile.write(path, tone_take(plan, attack_s=0.03), RATE, subtype="PCM_24")
    return measure_take(path, plan, phrase_start_samples=START)


@pytest.mark.parametrize("attack_s", [0.0, 0.08])
def test_a_tone_speaks_where_its_rise_passes_the_onset_threshold(plan, save, attack_s):
    """A linear attack is 10 dB below full after 10 ** -0.5 of its length."""
    found = measure_take(
        save(tone_take(plan, 0.025, attack_s=attack_s)), plan, phrase_start_samples=START
    )
    assert found.lateness_ms == pytest.approx(25.0 + 1000 * attack_s * 10**-0.5, abs=6.0)


@pytest.mark.parametrize("late_ms", [-90, 0, 90])
def test_early_and_late_players_are_told_apart(plan, save, on_time, late_ms):
    found = measure_take(
        save(tone_take(plan, late_ms / 1000, attack_s=0.03)), plan, phrase_start_samples=START
    )
    assert found.lateness_ms - on_time.lateness_ms == pytest.approx(late_ms, abs=1.0)
    assert found.shift_samples == round(found.shift_ms * RATE / 1000)


@pytest.mark.parametrize("late_s", [-6.0, -1.0, -0.3, 0.3, 1.0, 6.0])
def test_players_are_not_that_late_so_the_phrase_starts_elsewhere(plan, save, late_s):
    """Where it seems to lie is told to a few hundredths of a second."""
    heard = np.pad(tone_take(plan, attack_s=0.03), (6 * RATE, 0))
    start = START + 6 * RATE
    with pytest.raises(TakeError, match="it seems to begin about frame") as refused:
        measure_take(save(heard), plan, phrase_start_samples=start - round(late_s * RATE))
    told = re.search(r"about frame (\d+), (\d+) frames .* (later|earlier)", str(refused.value))
    assert int(told[1]) == pytest.approx(start, abs=0.03 * RATE)
    assert int(told[2]) == pytest.approx(abs(late_s) * RATE, abs=0.03 * RATE)
    assert (told[3] == "later") == (late_s > 0)


def test_an_insert_is_looked_for_far_from_its_stated_place(plan, save):
    heard = with_noise(np.pad(tone_take(plan, attack_s=0.03), (150 * RATE, 0)), 40.0)
    with pytest.raises(TakeError, match="it seems to begin about frame 72") as refused:
        measure_take(save(heard), plan, phrase_start_samples=START)
    told = int(re.search(r"about frame (\d+)", str(refused.value))[1])
    assert told == pytest.approx(START + 150 * RATE, abs=0.03 * RATE)


def test_the_phrase_start_moves_the_lateness_by_as_much(plan, save, on_time):
    path = save(tone_take(plan, attack_s=0.03))
    there = measure_take(path, plan, phrase_start_samples=START - 480)
    assert there.lateness_ms - on_time.lateness_ms == pytest.approx(10.0, abs=0.5)


def test_players_who_drag_drift(plan, save, on_time):
    dragging = tone_take(plan, attack_s=0.03, stretch=1.01)
    found = measure_take(save(dragging), plan, phrase_start_samples=START)
    assert found.drift_ms - on_time.drift_ms == pytest.approx(10.0 * float(plan.length_s), rel=0.2)


def test_the_spread_is_the_players_standard_deviation_whatever_a_few_of_them_do():
    chance = np.random.default_rng(4)
    late_s = chance.normal(0.02, 0.018, 2000)
    assert spread_of(late_s) == pytest.approx(18.0, rel=0.05)
    late_s[::20] += 0.5
    assert spread_of(late_s) == pytest.approx(18.0, rel=0.15)


def spread_of(late_s):
    group = Group(at_s=1.0, attacks=())
    heard = (HeardGroup(group=group, late_s=float(late), error_s=0.002) for late in late_s)
    return _spread_ms(tuple(heard))


def test_what_the_paper_misses_is_in_the_shift_and_not_in_the_lateness(plan, save, on_time):
    """Notes that the paper cannot place exactly move the landing, not the players."""
    shifted = replace(
        plan,
        notes=tuple(
            replace(note, written_landing_error_ms=note.written_landing_error_ms - 20.0)
            for note in plan.notes
        ),
        placement=replace(plan.placement, shift_ms=plan.placement.shift_ms + 20.0),
    )
    late = np.array(spoken(shifted)) - np.array(spoken(plan))
    assert late == pytest.approx(0.02)
    found = measure_take(
        save(tone_take(shifted, attack_s=0.03)), shifted, phrase_start_samples=START
    )
    assert found.lateness_ms == pytest.approx(on_time.lateness_ms, abs=0.5)
    assert found.shift_ms - on_time.shift_ms == pytest.approx(20.0, abs=0.5)


def test_a_flipped_clip_lands_where_its_take_says(plan, save):
    heard = tone_take(plan, 0.03, attack_s=0.03)
    taken = measure_take(save(heard), plan, phrase_start_samples=START)
    placement = plan.placement
    end = START + placement.length_samples + placement.tail_kept_samples
    clip = np.pad(heard, (0, max(end - len(heard), 0)))[START - 4800 : end][::-1]
    found = measure_clip(save(clip, "clip.wav"), plan)
    assert found.lateness_ms == pytest.approx(taken.lateness_ms, abs=0.5)
    assert found.clip_lands_ms == pytest.approx(placement.shift_ms - taken.shift_ms, abs=0.5)
    longer = measure_clip(
        save(clip[2400:], "cut.wav"), plan, tail_kept_samples=placement.tail_kept_samples - 2400
    )
    assert longer.lateness_ms == pytest.approx(found.lateness_ms, abs=0.5)


def test_a_take_at_another_rate_says_the_same(plan, save):
    heard = with_noise(tone_take(plan, 0.03, attack_s=0.03), 40.0)
    found = measure_take(save(heard), plan, phrase_start_samples=START)
    slower = save(resample_poly(heard, 147, 160), "slow.wav", 44_100)
    again = measure_take(slower, plan, phrase_start_samples=int(LEAD_S * 44_100))
    assert again.lateness_ms == pytest.approx(found.lateness_ms, abs=1.0)


def test_another_piece_is_refused(plan, save):
    other = parse_plan(json.dumps(ensemble_plan(50)).encode(), where="plan.json")
    with pytest.raises(TakeError, match="does not sound like the insert"):
        measure_take(save(tone_take(other)), plan, phrase_start_samples=START)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_music_that_only_opens_alike_is_refused(seed, save):
    """The second half of the insert, which is the first of the target, is other music."""
    song, other = (ensemble_song(of, parts_count=6) for of in (seed, seed + 60))
    mixed = []
    for part, another in zip(song.parts, other.parts, strict=True):
        notes = [note for note in part.notes if note.on_beats >= 24]
        notes += [note for note in another.notes if note.off_beats <= 24]
        mixed.append(replace(part, notes=tuple(sorted(notes))))
    plans = [
        parse_plan(
            json.dumps(make_plan_document(one, make_window(one), Settings())).encode(),
            where="plan.json",
        )
        for one in (song, replace(song, parts=tuple(mixed)))
    ]
    path = save(tone_take(plans[0], attack_s=0.03))
    measure_take(path, plans[0], phrase_start_samples=START)
    with pytest.raises(TakeError, match="its second half is not there"):
        measure_take(path, plans[1], phrase_start_samples=START)


def test_a_transposed_take_is_refused(plan, save):
    higher = replace(plan, notes=tuple(replace(n, pitch=n.pitch + 1) for n in plan.notes))
    with pytest.raises(TakeError, match="does not sound like the insert"):
        measure_take(save(tone_take(higher)), plan, phrase_start_samples=START)


def test_noise_and_click_alone_and_the_take_backwards_are_refused(plan, document, save):
    heard = tone_take(plan)
    floor = np.random.default_rng(1).standard_normal(len(heard)) * 0.01
    faint = np.zeros_like(heard)
    faint[0] = 0.5
    for wrong in (floor, with_clicks(faint, document, -6.0) + floor * 0.01, heard[::-1]):
        with pytest.raises(TakeError, match="does not sound like the insert"):
            measure_take(save(wrong), plan, phrase_start_samples=START)


def test_a_silent_take_is_refused(plan, save):
    with pytest.raises(TakeError, match="is silent"):
        measure_take(save(np.zeros(20 * RATE)), plan, phrase_start_samples=START)


def test_stereo_of_inverted_polarity_says_what_its_one_channel_says(plan, save, on_time):
    heard = tone_take(plan, attack_s=0.03)
    path = save(np.column_stack([heard, -heard]), "inverted.wav")
    found = measure_take(path, plan, phrase_start_samples=START)
    assert found.lateness_ms == pytest.approx(on_time.lateness_ms, abs=0.1)


@pytest.mark.parametrize("offset", [0.05, -0.3])
def test_what_stands_still_in_a_file_is_no_sound(plan, save, offset):
    heard = 0.3 * with_noise(tone_take(plan, 0.02, attack_s=0.03), 30.0)
    path, moved = save(heard, "plain.wav"), save(heard + offset, "moved.wav")
    found, again = (measure_take(one, plan, phrase_start_samples=START) for one in (path, moved))
    assert again.lateness_ms == pytest.approx(found.lateness_ms, abs=2.0)
    assert again.anchor_lateness_ms == pytest.approx(found.anchor_lateness_ms, abs=1.0)
    assert again.anchor_lateness_uncertainty_ms <= 10.0


def test_a_phrase_beyond_the_file_is_refused(plan, save):
    with pytest.raises(TakeError, match="does not lie in this file"):
        measure_take(save(np.zeros(RATE)), plan, phrase_start_samples=10 * RATE)


def test_an_empty_file_is_refused(plan, save):
    with pytest.raises(TakeError, match="is empty"):
        measure_take(save(np.zeros(0)), plan)


def test_what_is_no_audio_is_refused(plan, tmp_path):
    path = tmp_path / "take.wav"
    path.write_bytes(b"RIFF and nothing else")
    with pytest.raises(AudioError, match="not an audio file"):
        measure_take(path, plan)
    with pytest.raises(AudioError, match="no such file"):
        measure_take(tmp_path / "none.wav", plan)


def test_samples_that_are_no_numbers_are_refused(plan, tmp_path):
    heard = tone_take(plan)
    heard[START + 100] = np.nan
    path = tmp_path / "take.wav"
    soundfile.write(path, heard, RATE, subtype="DOUBLE")
    with pytest.raises(AudioError, match="no numbers"):
        measure_take(path, plan, phrase_start_samples=START)


def test_a_take_without_its_tail_says_that_it_cannot_know_the_room(plan, save):
    heard = tone_take(plan, attack_s=0.03)
    end = START + int(plan.placement.last_release_s * RATE)
    found = measure_take(save(heard[:end]), plan, phrase_start_samples=START)
    assert found.decay is None
    assert "tail" in [finding.kind for finding in found.findings]


def test_a_tail_in_noise_says_that_it_cannot_know_the_room(plan, save):
    heard = with_noise(in_room(tone_take(plan, attack_s=0.03), 1.5), 10.0)
    found = measure_take(save(heard), plan, phrase_start_samples=START)
    assert found.decay.bands[0].reverberation_s is None
    assert "no decay time" in found.findings[0].what


def test_the_error_lies_within_what_the_measurement_says_of_itself(plan, save, on_time):
    for seed in range(3):
        heard = with_noise(in_room(tone_take(plan, 0.05, attack_s=0.03), 1.4, seed=seed), 20.0)
        found = measure_take(save(heard), plan, phrase_start_samples=START)
        assert abs(found.lateness_ms - on_time.lateness_ms - 50.0) <= found.lateness_uncertainty_ms


def test_unisons_are_one_attack(plan):
    doubled = replace(plan, notes=plan.notes + plan.notes)
    once, twice = expected_attacks(plan), expected_attacks(doubled)
    assert [(a.at_s, a.pitch) for a in once] == [(a.at_s, a.pitch) for a in twice]
    assert sum(a.weight for a in twice) == 2 * sum(a.weight for a in once)


def test_the_tighter_take_is_ranked_first(plan, save, on_time):
    loose = measure_take(
        save(tone_take(plan, attack_s=0.03, stretch=1.01), "a.wav"),
        plan,
        phrase_start_samples=START,
    )
    assert [one.name for one in rank([loose, on_time])] == ["b.wav", "a.wav"]


def run(*arguments):
    app = typer.Typer()
    app.command()(measure_command)
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_the_command_ranks_takes_and_goes_on_past_a_bad_one(plan, document, save, tmp_path):
    plan_path = tmp_path / "plan.json"
    plan_path.write_text(json.dumps(document), "utf-8")
    good = save(tone_take(plan, attack_s=0.03), "good.wav")
    loose = save(tone_take(plan, attack_s=0.03, stretch=1.01), "loose.wav")
    silent = save(np.zeros(20 * RATE), "silent.wav")
    arguments = ("--plan", plan_path, "--phrase-start", START)
    result = run(loose, silent, good, *arguments)
    lines = result.stdout.splitlines()
    assert [line.split()[0] for line in lines] == ["take", "good.wav", "loose.wav"]
    assert result.exit_code == 1
    assert "silent.wav: the phrase is silent" in result.stderr
    listed = json.loads(run(good, *arguments, "--json").stdout)
    assert [one["name"] for one in listed] == ["good.wav"]
    assert "attacks heard" in run(good, *arguments).stdout


def test_the_measured_room_is_written_as_settings(plan, document, save, tmp_path):
    plan_path, settings = tmp_path / "plan.json", tmp_path / "room.toml"
    plan_path.write_text(json.dumps(document), "utf-8")
    heard = save(in_room(tone_take(plan, attack_s=0.03), 0.8), "wet.wav")
    arguments = ("--plan", plan_path, "--phrase-start", START, "--write-settings", settings)
    measured = json.loads(run(heard, *arguments, "--json").stdout)[0]["decay"]["bands"][0]
    room = load_settings(settings, {}).room
    assert room.reverberation_s == pytest.approx(measured["t30_s"], abs=0.01)
    again = run(heard, *arguments)
    assert isinstance(again.exception, WriteError)
    end = START + int(plan.placement.last_release_s * RATE)
    dry = save(tone_take(plan, attack_s=0.03)[:end], "dry.wav")
    nothing = run(dry, *arguments[:-1], tmp_path / "none.toml")
    assert isinstance(nothing.exception, TakeError)
    assert not (tmp_path / "none.toml").exists()


@pytest.mark.parametrize(("permille", "is_told"), [(None, False), (9.9, False), (10.1, True)])
def test_a_band_whose_decay_is_no_straight_line_is_told(permille, is_told):
    # ISO 3382-2 (from memory): beyond 10 per mille one time does not tell a decay.
    band = BandDecay(
        band_hz=1000, edt_s=0.3, t20_s=0.5, t30_s=1.1, range_db=50.0, nonlinearity_permille=permille
    )
    room = RoomDecay(release_s=1.0, bands=(band,), direct_to_reverberant_db=None, noise_dbfs=-70.0)
    (_, seconds, words), *_ = _room_rows(SimpleNamespace(decay=room))
    assert seconds == "1.10"
    assert words.endswith("T30 1.10; no straight line)") == is_told

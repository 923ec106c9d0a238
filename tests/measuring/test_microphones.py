"""Whose a microphone is, and a take that several of them hear."""

import json
from dataclasses import replace

import numpy as np
import pytest
import soundfile
import typer
from typer.testing import CliRunner

from retro.cli.flip import flip as flip_command
from retro.cli.measure import measure as measure_command
from retro.errors import SettingsError
from retro.measuring.groups import groups_of
from retro.measuring.listen import hear_take
from retro.measuring.measure import measure_microphones
from retro.measuring.microphones import (
    expected_attacks,
    guessed_parts,
    lateness_of,
    microphones_of,
    parts_named,
)
from retro.read.plan_file import parse_plan
from tests.measuring.orchestra_take import LEAD_S, RATE, ensemble_plan, tone_take

START = int(LEAD_S * RATE)
NAMES = ("Violin I", "Horn in F 1.2", "Horn in F 3.4")


@pytest.fixture(scope="module")
def document():
    document = ensemble_plan(0)
    for part, name in zip(document["parts"], NAMES, strict=True):
        part["name"] = name
    return document


@pytest.fixture(scope="module")
def plan(document):
    return parse_plan(json.dumps(document).encode(), where="plan.json")


@pytest.fixture
def take(plan, tmp_path):
    """Return a take whose horns are 30 ms later than its violin: hall, and a spot by the horns."""
    violin, horns = (
        replace(plan, notes=tuple(n for n in plan.notes if (n.part == 0) == is_violin))
        for is_violin in (True, False)
    )
    first, others = tone_take(violin, 0.01, attack_s=0.03), tone_take(horns, 0.04, attack_s=0.03)
    length = max(len(first), len(others))
    first, others = (np.pad(one, (0, length - len(one))) for one in (first, others))
    paths = (tmp_path / "hall.wav", tmp_path / "Horn close.wav")
    soundfile.write(paths[0], first + others, RATE, subtype="PCM_24")
    soundfile.write(paths[1], 0.1 * first + others, RATE, subtype="PCM_24")
    return paths


def test_a_name_stands_for_the_parts_that_begin_with_it(plan):
    assert parts_named("Horns", plan) == (1, 2)
    assert parts_named("violin i", plan) == (0,)
    with pytest.raises(SettingsError, match="no player of the plan is called 'Tuba'"):
        parts_named("Tuba", plan)


@pytest.mark.parametrize(
    ("name", "parts"),
    [("take7_Horns_close.wav", (1, 2)), ("Violin I.wav", (0,)), ("Decca L.wav", ())],
)
def test_a_file_is_guessed_by_its_name(plan, tmp_path, name, parts):
    assert guessed_parts(tmp_path / name, plan) == parts


def test_a_statement_overrides_the_name(plan, tmp_path):
    files = [(tmp_path / "Horn.wav", 5)]
    assert microphones_of(files, plan, ["Horn.wav="])[0].parts == ()
    assert microphones_of(files, plan, ["Horn.wav=Violin"])[0].parts == (0,)
    with pytest.raises(SettingsError, match="names none of the files"):
        microphones_of(files, plan, ["Hron.wav=Horns"])


def test_a_spot_microphone_is_judged_by_its_own_part(plan, take):
    files = [(path, START) for path in take]
    found = measure_microphones(microphones_of(files, plan), plan, name="take")
    hall, spot = found.microphones
    assert (hall.players, spot.players) == ((), NAMES[1:])
    assert spot.lateness_ms == pytest.approx(40.0 + 30.0 * 10**-0.5, abs=6.0)
    assert 10.0 < hall.lateness_ms < spot.lateness_ms
    assert found.lateness_ms == pytest.approx(hall.lateness_ms)


def test_a_spot_microphone_is_sure_of_no_attack_that_others_share(plan, take):
    """In the whole sound at the horns the first attack is the violin's too."""
    attacks = expected_attacks(plan)
    own = groups_of(expected_attacks(plan, (1, 2)))
    heard = hear_take(take[1], phrase_start_samples=START)
    shared = [
        lateness_of(heard, plan, parts, coarse_s=0.04).heard[0].is_alone for parts in ((1, 2), ())
    ]
    is_shared = any(one.at_s == own[0].at_s and one not in own[0].attacks for one in attacks)
    assert is_shared
    assert shared == [False, True]


def run(command, *arguments):
    app = typer.Typer()
    app.command()(command)
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_the_files_of_one_take_are_its_microphones(document, take, tmp_path):
    plan_path = tmp_path / "plan.json"
    plan_path.write_text(json.dumps(document), "utf-8")
    common = ("--plan", plan_path, "--phrase-start", START)
    listed = json.loads(run(measure_command, *take, *common, "--one-take", "--json").stdout)
    assert [one["name"] for one in listed[0]["microphones"]] == ["hall.wav", "Horn close.wav"]
    for one in (listed[0], *listed[0]["microphones"]):
        assert {"lateness_ms", "lateness_uncertainty_ms", "anchor_lateness_ms"} <= set(one)
    wrong = run(measure_command, *take, *common, "--mic", "x.wav=Horns")
    assert isinstance(wrong.exception, SettingsError)


def test_a_flip_measures_the_lateness_and_lays_the_clip_by_it(document, plan, take, tmp_path):
    plan_path = tmp_path / "plan.json"
    plan_path.write_text(json.dumps(document), "utf-8")
    common = ("--plan", plan_path, "--phrase-start", START, "--session-start", "01:00:00:00")
    done = run(flip_command, *take, *common, "--measure", "--out", tmp_path / "measured")
    assert "The lateness" in done.stdout
    files = [(path, START) for path in take]
    found = measure_microphones(microphones_of(files, plan), plan, name="take")
    stated = (*common, "--late-ms", found.placing_ms[0], "--out", tmp_path / "stated")
    run(flip_command, *take, *stated)
    clips = [
        json.loads((tmp_path / folder / "flip.json").read_text("utf-8"))
        for folder in ("measured", "stated")
    ]
    assert clips[0]["time_reference"] == clips[1]["time_reference"]
    both = run(flip_command, *take, *stated, "--measure")
    assert isinstance(both.exception, SettingsError)

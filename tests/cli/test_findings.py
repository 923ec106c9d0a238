"""Findings are told in few lines, the worst first, each once."""

import json
from pathlib import Path

import mido
import pytest
from typer.testing import CliRunner

from retro.cli import app
from retro.cli.findings import MAX_LINES, told, verdict
from retro.model.findings import FindingKind
from retro.model.performance import Finding, Severity


def finding(severity=Severity.WARN, kind=FindingKind.BREATH, player="Oboe", bar=None, what="long"):
    return Finding(severity=severity, kind=kind, player=player, bar=bar, what=what, advice="do")


def test_one_kind_of_several_players_and_bars_is_one_line():
    group = [finding(bar=2), finding(bar=4), finding(player="Horn", bar=1), finding(player="Tuba")]
    lines = told(group, "A", everything=False)
    assert lines == ["warn: Oboe A2: long; do. Also Oboe A4, Horn A1, Tuba"]


def test_a_line_that_counts_more_of_a_kind_is_kept_in_the_group():
    group = [finding(bar=2), finding(what="4 more like it")]
    assert told(group, "A", everything=False) == [
        "warn: Oboe A2: long; do. Also Oboe (4 more like it)"
    ]


def test_what_concerns_all_stands_alone():
    group = [finding(player=None, what="this"), finding(player=None, what="that")]
    assert len(told(group, "A", everything=False)) == 2


def test_a_line_counts_what_no_longer_has_room():
    many = [finding(player=None, what=f"thing {i}") for i in range(30)]
    lines = told(many, "A", everything=False)
    assert len(lines) == MAX_LINES
    assert lines[-1] == f"and {30 - MAX_LINES + 1} more findings; --all tells every one"
    assert len(told(many, "A", everything=True)) == 60


@pytest.mark.parametrize(
    ("findings", "said"),
    [
        ((), "playable: nothing to say against it"),
        ((finding(Severity.NOTE),), "playable: 1 note"),
        ((finding(kind=FindingKind.PRE_SWELL),), "playable: 1 warn"),
        ((finding(),), "playable with changes: 1 warn"),
        ((finding(Severity.STOP), finding()), "not as it stands: 1 stop, 1 warn"),
    ],
)
def test_the_last_line_says_whether_it_can_be_played(findings, said):
    assert verdict(findings) == said


def low_flute(path: Path) -> Path:
    """Write one flute note that no flute has."""
    track = mido.MidiTrack([mido.MetaMessage("track_name", name="Flute")])
    track.append(mido.Message("note_on", note=40, velocity=80))
    track.append(mido.Message("note_off", note=40, time=1920))
    mido.MidiFile(tracks=[track]).save(path)
    return path


@pytest.mark.parametrize(
    ("flags", "code"), [([], 0), (["--strict"], 1), (["--strict", "--json"], 1)]
)
def test_strict_makes_of_a_stop_an_exit_code(tmp_path: Path, flags: list[str], code: int):
    target = low_flute(tmp_path / "low.mid")
    result = CliRunner().invoke(app, ["check", str(target), *flags])
    assert result.exit_code == code
    if "--json" in flags:
        assert json.loads(result.stdout)["findings"][0]["severity"] == "stop"
    else:
        assert result.stdout.splitlines()[-1].startswith("not as it stands: 1 stop")


def test_the_last_line_of_a_build_says_where_it_lands(tmp_path: Path):
    target = low_flute(tmp_path / "low.mid")
    command = ["build", str(target), "--out", str(tmp_path / "pack"), "--only", "engineer"]
    said = CliRunner().invoke(app, command).stderr.splitlines()
    assert said[-1].startswith("lands on bar 2 beat 1; the flipped clip goes to sample ")

"""`retro check` prints what is wrong and what to do, as text and as JSON."""

import json

import pytest

from retro.cli.check import check
from retro.cli.findings import MAX_LINES
from tests.example import TARGET


def test_every_finding_has_a_line_with_its_bar_and_one_with_what_to_do(
    capsys: pytest.CaptureFixture[str],
) -> None:
    check(TARGET, everything=True)
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith(("stop: ", "warn: "))
    assert any(line.startswith("note: Harp A1 beat 1: set ") for line in lines)
    assert "print the setting at the beginning of the part" in " ".join(lines)
    assert lines[-1].endswith("note")


def test_what_is_alike_shares_a_line_and_the_last_line_sums_up(
    capsys: pytest.CaptureFixture[str],
) -> None:
    check(TARGET)
    lines = capsys.readouterr().out.splitlines()
    kinds = [line.partition(":")[0] for line in lines[:-1]]
    assert kinds == sorted(kinds, key=["stop", "warn", "note"].index)
    (breath,) = [line for line in lines if "without a rest" in line]
    assert "Also " in breath
    assert breath.count("Horn in F 1.2") == 1
    assert lines[-1] == "playable with changes: 4 warn, 13 note"
    assert len(lines) <= MAX_LINES


def test_flags_go_before_the_settings_file(capsys: pytest.CaptureFixture[str]) -> None:
    check(TARGET, bars=["1-4"])
    assert "before bar 1" in capsys.readouterr().out


def test_json_holds_the_findings_and_the_comparison(capsys: pytest.CaptureFixture[str]) -> None:
    check(TARGET, compare=True, as_json=True)
    document = json.loads(capsys.readouterr().out)
    assert {"severity", "kind", "player", "bar", "beat", "what", "advice"} == set(
        document["findings"][0]
    )
    everything = document["comparison"][-1]
    assert everything["player"] is None
    assert everything["played"]["worst_landing_ms"] == pytest.approx(0.0, abs=1e-3)
    assert everything["plain"]["mean_onset_ms"] > 100.0


def test_the_comparison_has_a_row_for_every_part(capsys: pytest.CaptureFixture[str]) -> None:
    check(TARGET, compare=True)
    lines = capsys.readouterr().out.splitlines()
    rows = lines[lines.index("errors in ms: onset mean / worst, landing mean / worst") + 2 :]
    assert rows[0].startswith("Alto Flute")
    assert rows[15].startswith("all ")
    assert rows[-1].startswith("playable")

"""The preview's files say where they begin in the song, and what is heard in them agrees.

Offsets by hand: EBU Tech 3285 version 2 (TimeReference: byte 338 of ``bext``, 64 bits, low word
first, frames since midnight).
"""

import json
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from retro.cli import app
from tests.example import TARGET
from tests.takes.sound_files import chunks_of

RATE = 48_000
FIRST_HOUR = 3600 * RATE
"""The example's session starts at 01:00:00:00."""


def built(out: Path, *options: object) -> str:
    words = ["build", TARGET, "--out", out, "--only", "arranger", *options]
    result = CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


def stamp_of(path: Path) -> int | None:
    payload = dict(chunks_of(path.read_bytes())).get(b"bext")
    return None if payload is None else struct.unpack_from("<Q", payload, 338)[0]


def test_flipped_target_and_stems_are_stamped_with_one_place_that_build_states(tmp_path):
    said = built(tmp_path / "pack", "--stems")
    folder = tmp_path / "pack" / "arranger"
    start = stamp_of(folder / "flipped.wav") - FIRST_HOUR
    assert f"the preview, arranger/flipped.wav, begins at sample {start} of the song" in said
    stems = sorted((folder / "stems").iterdir())
    assert len(stems) == 15
    assert {stamp_of(path) - FIRST_HOUR for path in (folder / "target.wav", *stems)} == {start}
    assert stamp_of(folder / "played.wav") is None


def test_a_stamped_preview_stops_where_bar_29_begins(tmp_path):
    built(tmp_path / "pack")
    folder = tmp_path / "pack"
    start = stamp_of(folder / "arranger" / "flipped.wav") - FIRST_HOUR
    sound, _ = soundfile.read(folder / "arranger" / "flipped.wav", always_2d=True)
    level = np.abs(sound).max(axis=1)
    last_loud = start + int(np.flatnonzero(level > 0.1 * level.max())[-1])
    window = json.loads((folder / "plan.json").read_text(encoding="utf-8"))["window"]
    assert last_loud / RATE == pytest.approx(window["end_s"], abs=0.02)


@pytest.mark.parametrize("sound_format", ["flac", "ogg"])
def test_a_form_that_holds_no_stamp_has_its_start_said(tmp_path, sound_format):
    said = built(tmp_path / "pack", "--sound-format", sound_format)
    assert f"the preview, arranger/flipped.{sound_format}, begins at sample " in said


def test_no_file_claims_a_time_before_midnight(tmp_path):
    said = built(tmp_path / "pack", "--session-start", "00:00:00:00", "--bars", "1-4")
    assert "flipped.wav, begins at sample -" in said
    assert stamp_of(tmp_path / "pack" / "arranger" / "flipped.wav") is None

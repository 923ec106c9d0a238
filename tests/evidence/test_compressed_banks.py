"""A compressed bank against fluidsynth, which reads sf3 by itself.

What retro gives its player is written as a plain bank. fluidsynth plays it, and the compressed
bank, from the same MIDI file: both must be one sound.

Source: FluidR3Mono GM, version 2.315 (Debian: fluidr3mono-gm-soundfont).
"""

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from retro.sounds.bank import DRUM_BANK
from retro.sounds.soundfont import SoundFont
from tests.sounds.test_bank import scale

COMPRESSED = Path("/usr/share/fluidr3mono-gm-soundfont/FluidR3Mono_GM.sf3")
STEP = 2.0**-15
PRESETS = [(0, 0), (0, 40), (0, 46), (0, 48), (0, 60), (0, 71), (DRUM_BANK, 0)]

pytestmark = pytest.mark.skipif(
    shutil.which("fluidsynth") is None or not COMPRESSED.is_file(),
    reason="needs fluidsynth and FluidR3Mono (Debian: fluidr3mono-gm-soundfont)",
)


def by_fluidsynth(bank: Path, midi: Path) -> np.ndarray:
    """Return what fluidsynth makes of a file."""
    out = midi.with_suffix(".wav")
    plain = ["-R", "0", "-C", "0", "-g", "0.5", "-r", "48000", "-O", "float", "-T", "wav"]
    plain += ["-o", "synth.dynamic-sample-loading=1"]  # else every sound of the bank is decoded
    command = ["fluidsynth", "-ni", *plain, "-F", str(out), str(bank), str(midi)]
    said = subprocess.run(command, check=True, capture_output=True).stderr
    assert b"Failed to load" not in said  # it would play its default bank then
    return soundfile.read(out)[0]


def test_a_compressed_bank_is_written_as_another_reader_of_sf3_hears_it(tmp_path, record_evidence):
    font = SoundFont.read(COMPRESSED)
    midi, plain = tmp_path / "scale.mid", tmp_path / "plain.sf2"
    greatest = 0.0
    for asked in PRESETS:
        midi.write_bytes(scale(*asked))
        plain.write_bytes(font.only([asked]))
        wanted, got = (by_fluidsynth(bank, midi) for bank in (COMPRESSED, plain))
        assert np.abs(wanted).max() > 0.01
        assert wanted.shape == got.shape
        greatest = max(greatest, float(np.abs(wanted - got).max()))
    assert greatest < STEP
    record_evidence(
        what=f"{len(PRESETS)} presets of a compressed bank (sf3), written plain",
        source="fluidsynth playing both; FluidR3Mono GM 2.315",
        expected="one sound, within a step of 16 bits",
        found=f"greatest difference {greatest / STEP:.2f} steps",
    )

"""Pitches of the preview against a published table of equal temperament.

Source: table of note frequencies, A4 = 440 Hz, as printed in handbooks of musical acoustics and on
the physics pages of Michigan Technological University (from memory, rounded to 0.01 Hz).
"""

import numpy as np
import pytest

from retro.model.instruments import Family
from retro.render.preview import render_preview
from tests.render.performances import lone

PUBLISHED_HZ = {
    "C2": (36, 65.41), "E2": (40, 82.41), "A2": (45, 110.00), "C3": (48, 130.81),
    "F#3": (54, 185.00), "B3": (59, 246.94), "C4": (60, 261.63), "Eb4": (63, 311.13),
    "G4": (67, 392.00), "A4": (69, 440.00), "C5": (72, 523.25), "G#5": (80, 830.61),
    "C6": (84, 1046.50), "F6": (89, 1396.91), "A7": (105, 3520.00), "C8": (108, 4186.01),
}  # fmt: skip


@pytest.mark.parametrize("family", [Family.NEUTRAL, Family.STRINGS])
@pytest.mark.parametrize("name", PUBLISHED_HZ)
def test_the_preview_sounds_the_published_frequency(
    name: str, family: Family, record_evidence
) -> None:
    pitch, published_hz = PUBLISHED_HZ[name]
    preview = render_preview(lone(pitch=pitch, family=family))
    start = preview.window_start_sample + int(1.4 * preview.rate)
    held = preview.flipped[start : start + int(1.5 * preview.rate), 0].astype(float)
    size = 16 * held.size
    spectrum = np.abs(np.fft.rfft(held * np.hanning(held.size), size))
    heard_hz = float(np.argmax(spectrum)) * preview.rate / size
    bin_hz = preview.rate / size
    assert heard_hz == pytest.approx(published_hz, abs=bin_hz + 0.005)
    record_evidence(
        what=f"{name} of the preview, {family.value}",
        source="table of equal temperament, A4 = 440 Hz (from memory)",
        expected=f"{published_hz:.2f} Hz",
        found=f"{heard_hz:.2f} Hz, read to {bin_hz:.2f}",
    )

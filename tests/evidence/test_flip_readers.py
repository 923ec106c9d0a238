"""A flipped take as independent readers find it: wavinfo for bext, libsndfile for the samples.

Source of the layout: EBU Tech 3285 (bext), TimeReference in samples since midnight.
"""

import numpy as np
import pytest
import soundfile
from wavinfo import WavInfoReader

from retro.takes.common_range import open_take
from retro.takes.flip import FlipSettings, flip_take
from tests.fuzz.kinds import wave

STAMP = 3_600 * 48_000 + 12_345


@pytest.mark.parametrize("coding", ["PCM_16", "PCM_24", "FLOAT"])
def test_readers_agree_on_samples_and_time(coding, tmp_path, record_evidence):
    source = tmp_path / "take.wav"
    source.write_bytes(wave(coding=coding))
    before, rate = soundfile.read(source, dtype="float64")
    settings = FlipSettings(time_reference_samples=STAMP)
    out = tmp_path / "out"
    flip_take(open_take([source]), out, start_frame=480, end_frame=4_320, settings=settings)
    (flipped,) = out.glob("*.wav")
    after, _ = soundfile.read(flipped, dtype="float64")
    assert np.array_equal(after, before[480:4_320][::-1])
    found = WavInfoReader(str(flipped))
    assert found.bext.time_reference == STAMP
    assert found.fmt.sample_rate == rate
    assert "reversed frames 480 to 4320" in found.bext.coding_history
    record_evidence(
        what=f"a flipped WAV, {coding}: samples, TimeReference and coding history",
        source="wavinfo and libsndfile; layout of EBU Tech 3285",
        expected=f"the source's frames 480 to 4320 reversed, bit for bit; {STAMP}",
        found=f"all {after.size} samples equal; {found.bext.time_reference}",
    )


def test_a_take_flipped_twice_is_the_take_again(tmp_path, record_evidence):
    source = tmp_path / "take.wav"
    source.write_bytes(wave())
    before, _ = soundfile.read(source, dtype="int32")
    for name in ("once", "twice"):
        out = tmp_path / name
        flip_take(open_take([source]), out, start_frame=0, end_frame=len(before))
        (source,) = out.glob("*.wav")
    after, _ = soundfile.read(source, dtype="int32")
    assert np.array_equal(after, before)
    record_evidence(
        what="a take flipped twice",
        source="libsndfile reads both",
        expected="the same samples",
        found=f"all {after.size} equal",
    )

"""One take: what belongs together, and the range that all of it has."""

import numpy as np
import pytest
import soundfile

from retro.errors import TakeError
from retro.takes.common_range import (
    MixedTakeError,
    open_take,
    stated_range,
    take_paths,
    whole_range,
)
from retro.takes.marks import FrameSpan
from tests.takes.sound_files import (
    RATE,
    bext_payload,
    flip_files,
    noise,
    samples,
    wav,
)

pytestmark = pytest.mark.usefixtures("unflushed")


def write(path, frames=1_000, rate=RATE, seed=1):
    soundfile.write(path, noise(frames, 1, seed), rate, "PCM_24")
    return path


def write_stamped(path, sound, stamp):
    """Write 24-bit samples with a time-stamp."""
    data = np.ascontiguousarray(sound[:, :1]).view(np.uint8).reshape(-1, 4)[:, 1:]
    before = () if stamp is None else ((b"bext", bext_payload(stamp)),)
    path.write_bytes(wav(data.tobytes(), *before))
    return path


def test_files_of_different_rates_are_refused_with_a_table(tmp_path):
    paths = [write(tmp_path / "a.wav"), write(tmp_path / "b.wav", rate=44_100)]
    with pytest.raises(MixedTakeError, match="1 with 48000 Hz, 1 with 44100 Hz") as refusal:
        open_take(paths)
    assert refusal.value.table[0][:3] == ("file", "rate", "frames")
    assert [row[:3] for row in refusal.value.table[1:]] == [
        ("a.wav", "48000", "1000"),
        ("b.wav", "44100", "1000"),
    ]


def test_files_of_different_lengths_are_refused_unless_a_range_is_given(tmp_path):
    paths = [write(tmp_path / "a.wav", 1_000), write(tmp_path / "b.wav", 900)]
    take = open_take(paths)
    with pytest.raises(MixedTakeError, match=r"1 with 1000 frames.*--range 0-900"):
        whole_range(take)
    assert stated_range(take, FrameSpan(10, 900)) == FrameSpan(10, 900)
    with pytest.raises(MixedTakeError, match="which share 0-900"):
        stated_range(take, FrameSpan(10, 901))


@pytest.mark.parametrize("span", [(5, 5), (-1, 4), (0, 1_001), (9, 3)])
def test_ranges_that_are_none_are_refused(tmp_path, span):
    take = open_take([write(tmp_path / "a.wav")])
    with pytest.raises(TakeError, match="the range"):
        stated_range(take, FrameSpan(*span))


def test_time_stamps_bring_files_to_one_range(tmp_path):
    """The second recorder started 30 frames later and the third 20 earlier; one sound is in all."""
    sound = noise(2_000)
    starts = {"a.wav": 100, "b.wav": 130, "c.wav": 80}
    paths = [
        write_stamped(tmp_path / name, sound[start : start + 1_000], 5_000_000 + start)
        for name, start in starts.items()
    ]
    take = open_take(paths)
    assert take.starts == (0, 30, -20)
    assert whole_range(take) == FrameSpan(30, 980)
    flip_files(paths, tmp_path / "out", 40, 900)
    expected = samples(paths[0])[40:900][::-1]
    for path in (tmp_path / "out").glob("*.wav"):
        np.testing.assert_array_equal(samples(path), expected)
        assert open_take([path]).files[0].time_reference_samples == 5_000_140


def test_files_that_share_no_moment_are_refused(tmp_path):
    sound = noise(1_000)
    paths = [
        write_stamped(tmp_path / name, sound, stamp)
        for name, stamp in (("a.wav", 0), ("b.wav", 5_000))
    ]
    take = open_take(paths)
    assert take.common.frames == 0
    with pytest.raises(TakeError, match="the range 5000-5000 is empty"):
        whole_range(take)


def test_a_file_without_a_stamp_among_differing_ones_is_refused(tmp_path):
    sound = noise(1_000)
    paths = [
        write_stamped(tmp_path / name, sound, stamp)
        for name, stamp in (("a.wav", 5), ("b.wav", 6), ("c.wav", None))
    ]
    with pytest.raises(MixedTakeError, match="1 of 3 files have no time-stamp"):
        open_take(paths)
    assert open_take(paths, starts_together=True).starts == (0, 0, 0)
    assert open_take([paths[0], paths[2]]).starts == (0, 0)


def test_a_folder_stands_for_its_sound_files_by_name(tmp_path):
    for name in ("b.wav", "a.WAV", ".hidden.wav", "notes.txt"):
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "inner.wav").mkdir()
    assert take_paths([tmp_path]) == (tmp_path / "a.WAV", tmp_path / "b.wav")


def test_nothing_to_flip_is_refused(tmp_path):
    with pytest.raises(TakeError, match="no sound file"):
        take_paths([tmp_path])


def test_one_file_named_twice_is_refused(tmp_path):
    path = write(tmp_path / "a.wav")
    (tmp_path / "linked.wav").symlink_to(path)
    with pytest.raises(TakeError, match="are one file"):
        take_paths([path, tmp_path / "linked.wav"])

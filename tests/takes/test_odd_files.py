"""Files that crashed recorders, broken copies and careless writers leave behind."""

import struct
from pathlib import Path

import numpy as np
import pytest
import scipy.io
import soundfile

from retro.errors import AudioError, RetroError
from retro.takes.chunks import Container
from retro.takes.sample_format import Coding
from retro.takes.take_file import open_take_file
from tests.takes.sound_files import (
    RATE,
    chunks_of,
    flip_bytes,
    flip_files,
    format_payload,
    noise,
    riff,
    samples,
    wav,
)

pytestmark = pytest.mark.usefixtures("unflushed")

ODD_FILES = sorted((Path(scipy.io.__file__).parent / "tests" / "data").glob("test-*.wav"))
REFUSED = {
    "test-44100Hz-le-1ch-4bytes-early-eof-no-data.wav": "no samples|no data|ends",
    "test-44100Hz-le-1ch-4bytes-incomplete-chunk.wav": "no samples",
    "test-8000Hz-le-3ch-5S-24bit-inconsistent.wav": "makes no sense",
}
NOT_IN_LIBSNDFILE = ("5S-36bit", "5S-45bit", "5S-53bit", "5S-64bit", "5bit")


def test_the_odd_files_are_installed():
    if not ODD_FILES:
        pytest.skip("this build of scipy comes without its test files")
    assert len(ODD_FILES) > 15


@pytest.mark.parametrize("path", ODD_FILES, ids=lambda path: path.name)
def test_odd_files_of_another_library_come_back_bit_for_bit(tmp_path, path):
    """The frames before and after, cut out by the data chunk's own numbers; used in place."""
    if path.name in REFUSED:
        with pytest.raises(AudioError, match=REFUSED[path.name]):
            open_take_file(path)
        return
    flip_files(path, tmp_path / "once")
    flip_files(tmp_path / "once", tmp_path / "twice")
    before = raw_frames(path)
    once = raw_frames(next((tmp_path / "once").glob("*.wav")))
    twice = raw_frames(next((tmp_path / "twice").glob("*.wav")))
    assert len(before) > 0
    np.testing.assert_array_equal(once, before[::-1])
    np.testing.assert_array_equal(twice, before)


@pytest.mark.parametrize("path", ODD_FILES, ids=lambda path: path.name)
def test_libsndfile_agrees_on_odd_files_that_it_reads(tmp_path, path):
    if path.name in REFUSED or any(part in path.name for part in NOT_IN_LIBSNDFILE):
        pytest.skip("libsndfile or the program does not read it")
    flip_files(path, tmp_path / "once")
    flipped = next((tmp_path / "once").glob("*.wav"))
    np.testing.assert_array_equal(samples(flipped), samples(path)[::-1])


def raw_frames(path: Path) -> np.ndarray:
    file = open_take_file(path)
    width = file.sample.frame_bytes
    data = path.read_bytes()[file.data_offset :][: file.frames * width]
    return np.frombuffer(data, np.uint8).reshape(-1, width)


@pytest.mark.parametrize("sizes", [(0, 0), (0xFFFFFFFF, 0xFFFFFFFF), (36, 0), (0, 0xFFFFFFFF)])
def test_a_header_that_a_crash_left_empty_is_filled_in(tmp_path, sizes):
    whole = bytearray(wav(bytes(range(90))))
    struct.pack_into("<I", whole, 4, sizes[0])
    struct.pack_into("<I", whole, 40, sizes[1])
    (tmp_path / "take.wav").write_bytes(whole)
    file = open_take_file(tmp_path / "take.wav")
    assert file.frames == 30
    assert file.notices == ("the header was never filled in; the samples reach to the end",)
    assert len(dict(chunks_of(flip_bytes(tmp_path, bytes(whole))))[b"data"]) == 90


def test_a_take_that_really_holds_no_frame_stays_empty(tmp_path):
    data = wav(b"", after=[(b"LIST", b"INFO")])
    assert flip_bytes(tmp_path, data) == data


def test_a_cut_off_file_gives_its_whole_frames_and_says_so(tmp_path):
    cut = wav(bytes(range(90)))[:-20]
    manifest_bytes = flip_bytes(tmp_path, cut)
    assert dict(chunks_of(manifest_bytes))[b"data"][:3] == bytes([66, 67, 68])
    notices = open_take_file(tmp_path / "take.wav").notices
    assert any("cut off" in notice and "90" in notice for notice in notices)
    assert any("1 bytes of a cut-off last frame" in notice for notice in notices)


def test_a_cut_off_last_chunk_is_left_out(tmp_path):
    data = wav(bytes(range(90)), after=[(b"LIST", bytes(100))])[:-30]
    assert [name for name, _ in chunks_of(flip_bytes(tmp_path, data))] == [b"fmt ", b"data"]


def test_junk_after_the_last_chunk_is_left_out(tmp_path):
    data = wav(bytes(range(90)))
    assert flip_bytes(tmp_path, data + b"\0\1\2\3\4\5\6\7\xff") == flip_bytes(tmp_path, data)


def test_chunks_after_an_odd_one_without_its_padding_are_found(tmp_path):
    unpadded = riff([(b"fmt ", format_payload(bits=8)), (b"data", bytes(range(9)))])[:-1]
    unpadded += b"LIST" + struct.pack("<I", 8) + b"INFOabcd"
    data = b"RIFF" + struct.pack("<I", len(unpadded) - 8) + unpadded[8:]
    parts = chunks_of(flip_bytes(tmp_path, data))
    assert parts[1:] == [(b"data", bytes(range(8, -1, -1))), (b"LIST", b"INFOabcd")]


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", "empty"),
        (b"RIFF", "not a sound file"),
        (b"RIFF\0\0\0\0WAVE", "no samples"),
        (b"hello, this is a letter to the engineer", "not a sound file"),
        (riff([(b"data", bytes(9))]), "no fmt chunk"),
        (riff([(b"fmt ", bytes(3)), (b"data", b"")]), "cut off"),
        (riff([(b"fmt ", bytes(16)), (b"data", b"")]), "form 0x0000"),
        (wav(b"", rate=0), "makes no sense"),
        (wav(b"", channels=0), "makes no sense"),
        (wav(b"", bits=24, tag=3), "makes no sense"),
        (riff([(b"SSND", bytes(9))], magic=b"FORM", form=b"AIFF", order=">"), "no COMM chunk"),
        (b"fLaC and no more", "FLAC"),
    ],
)
def test_what_is_no_take_is_refused_in_one_line(tmp_path, data, told):
    path = tmp_path / "take.wav"
    path.write_bytes(data)
    with pytest.raises(AudioError, match=told) as refusal:
        open_take_file(path)
    assert "\n" not in str(refusal.value)
    assert "take.wav" in str(refusal.value)


def test_a_flac_file_at_a_rate_that_no_encoder_writes_is_refused_in_one_line(tmp_path):
    whole, odd_rate = tmp_path / "whole.flac", 700_001
    soundfile.write(whole, noise(9_000), RATE, "PCM_16")
    data = bytearray(whole.read_bytes())
    packed = int.from_bytes(data[18:21], "big") & 0xF | odd_rate << 4
    data[18:21] = packed.to_bytes(3, "big")
    (tmp_path / "take.flac").write_bytes(data)
    with pytest.raises(AudioError, match=r"take\.flac.*700001 frames a second") as refusal:
        flip_files(tmp_path / "take.flac", tmp_path / "out")
    assert "\n" not in str(refusal.value)
    assert not list((tmp_path / "out").glob("*.flac"))


def test_a_missing_file_and_a_folder_are_told_apart(tmp_path):
    with pytest.raises(AudioError, match="no such file"):
        open_take_file(tmp_path / "none.wav")
    with pytest.raises(AudioError, match="folder"):
        open_take_file(tmp_path)


@pytest.mark.parametrize("seed", range(120))
def test_damaged_headers_are_flipped_or_refused_and_never_crash(tmp_path, seed):
    generator = np.random.default_rng(seed)
    whole = bytearray(
        wav(bytes(60), (b"bext", bytes(700)), after=[(b"cue ", bytes(28)), (b"smpl", bytes(60))])
    )
    for at in generator.integers(0, len(whole), 6):
        whole[at] = generator.integers(0, 256)
    cut = generator.integers(0, len(whole) + 1)
    path = tmp_path / "take.wav"
    path.write_bytes(whole[:cut] if seed % 2 else whole)
    try:
        flip_files(path, tmp_path / "out", time_reference_samples=1)
    except RetroError:
        return
    assert open_take_file(tmp_path / "out" / "take_flipped.wav").frames <= 10_000


def test_forms_and_codings_are_recognised(tmp_path):
    for name, form, coding in (("a.wav", "WAVEX", "FLOAT"), ("b.w64", "W64", "PCM_16")):
        soundfile.write(tmp_path / name, noise(5, 2), RATE, coding, format=form)
    wide, other = open_take_file(tmp_path / "a.wav"), open_take_file(tmp_path / "b.w64")
    assert (wide.container, wide.sample.coding, wide.sample.bits) == (
        Container.RIFF,
        Coding.FLOAT,
        32,
    )
    assert (other.container, other.sample.sample_bytes, other.frames) == (Container.W64, 2, 5)

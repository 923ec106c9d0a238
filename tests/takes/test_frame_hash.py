"""A source is known again by the frames that were read, and no more of it is read for that."""

import hashlib
import struct
import wave
from pathlib import Path

import pytest
import soundfile

from retro.errors import WriteError
from retro.takes.assemble import Stretch, spans_read
from retro.takes.common_range import open_take
from retro.takes.flip import FlipSettings, flip_take
from retro.takes.manifest import Manifest
from retro.takes.marks import FrameSpan
from retro.takes.take_file import open_take_file
from tests.takes.sound_files import RATE, flip_files, format_payload, framed, noise

IO = Path("/proc/self/io")
LONG_FRAMES = 700_000_000


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def written(path: Path, seed: int = 1) -> Path:
    soundfile.write(path, noise(40_000, 2, seed), RATE, "PCM_24")
    return path


def frames_of(path: Path, start: int, end: int) -> bytes:
    """Return frames as the standard library reads them."""
    with wave.open(str(path)) as file:
        file.setpos(start)
        return file.readframes(end - start)


def test_the_hash_is_that_of_the_frames_that_were_read(tmp_path: Path) -> None:
    path = written(tmp_path / "one.wav")
    manifest = flip_files(path, tmp_path / "out", 100, 30_000)
    assert manifest.files[0].frames_sha256 == sha256(frames_of(path, 100, 30_000))


def test_the_hash_of_flac_is_that_of_what_it_decodes_to(tmp_path: Path) -> None:
    path = written(tmp_path / "one.flac")
    manifest = flip_files(path, tmp_path / "out", 100, 30_000)
    wanted = soundfile.read(path, dtype="int32", start=100, stop=30_000)[0]
    assert manifest.files[0].frames_sha256 == sha256(wanted.astype("<i4").tobytes())


def joined(folder: Path, *, resume: bool = False) -> Manifest:
    one, two = (open_take_file(folder / name) for name in ("one.wav", "two.wav"))
    stretches = (
        Stretch(file=one, span=FrameSpan(1_000, 9_000), fade_frames=200),
        Stretch(file=two, span=FrameSpan(9_000, 20_000), fade_frames=0),
    )
    return flip_take(
        open_take([folder / "one.wav"]),
        folder / "clips",
        start_frame=1_000,
        end_frame=20_000,
        settings=FlipSettings(joined=(stretches,), resume=resume),
    )


def test_every_stretch_has_the_hash_of_its_frames_crossfades_included(tmp_path: Path) -> None:
    one, two = written(tmp_path / "one.wav", 1), written(tmp_path / "two.wav", 2)
    (file,) = joined(tmp_path).files
    assert file.frames_sha256 is None
    assert [each.frames_sha256 for each in file.stretches] == [
        sha256(frames_of(one, 1_000, 9_100)),
        sha256(frames_of(two, 8_900, 20_000)),
    ]


def test_a_single_stretch_is_read_as_it_is(tmp_path: Path) -> None:
    file = open_take_file(written(tmp_path / "one.wav"))
    alone = Stretch(file=file, span=FrameSpan(5, 9), fade_frames=0)
    assert spans_read((alone,)) == ((file, FrameSpan(5, 9)),)


@pytest.mark.parametrize(("name", "frame"), [("one.wav", 2_000), ("two.wav", 8_950)])
def test_resume_sees_a_change_in_any_stretch(tmp_path: Path, name: str, frame: int) -> None:
    for each, seed in (("one.wav", 1), ("two.wav", 2)):
        written(tmp_path / each, seed)
    joined(tmp_path)
    assert joined(tmp_path, resume=True).is_complete
    file = open_take_file(tmp_path / name)
    data = bytearray(file.path.read_bytes())
    data[file.data_offset + frame * file.sample.frame_bytes + 2] ^= 1  # the sample's top byte
    file.path.write_bytes(data)
    with pytest.raises(WriteError, match="differs"):
        joined(tmp_path, resume=True)


def test_resume_sees_that_another_chunk_was_added(tmp_path: Path) -> None:
    path = written(tmp_path / "one.wav")
    flip_files(path, tmp_path / "out")
    data = path.read_bytes() + b"note\4\0\0\0more"
    path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])
    with pytest.raises(WriteError, match="differs"):
        flip_files(path, tmp_path / "out", resume=True)


@pytest.mark.skipif(not IO.exists(), reason="the system does not count what is read")
def test_no_more_than_twice_its_frames_is_read_of_a_long_source(tmp_path: Path) -> None:
    """A sparse file of 2 GB; the system counts the bytes that the process reads."""
    path = tmp_path / "long.wav"
    size = LONG_FRAMES * 3
    head = framed([(b"fmt ", format_payload())]) + b"data" + struct.pack("<I", size)
    with path.open("wb") as file:
        file.write(b"RIFF" + struct.pack("<I", 4 + len(head) + size) + b"WAVE" + head)
        file.truncate(8 + 4 + len(head) + size)
    before = read_bytes()
    manifest = flip_files(path, tmp_path / "out", LONG_FRAMES - 200_000, LONG_FRAMES - 100_000)
    assert manifest.files[0].frames_sha256 == sha256(bytes(300_000))
    assert read_bytes() - before < 2 * 300_000 + 100_000


def read_bytes() -> int:
    words = IO.read_text().split()
    return int(words[words.index("rchar:") + 1])

"""Sound files for tests, built byte by byte from the published layouts."""

import struct
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile

from retro.takes.chunks import W64_RIFF, W64_TAIL, W64_WAVE
from retro.takes.common_range import open_take
from retro.takes.flip import FlipSettings, flip_take
from retro.takes.manifest import Manifest

Parts = Sequence[tuple[bytes, bytes]]

RATE = 48_000


def noise(frames: int, channels: int = 1, seed: int = 1) -> np.ndarray:
    """Return 32-bit integers of every size."""
    generator = np.random.default_rng(seed)
    return generator.integers(-(2**31), 2**31, (frames, channels), dtype=np.int32)


def format_payload(
    channels: int = 1, bits: int = 24, *, rate: int = RATE, tag: int = 1, order: str = "<"
) -> bytes:
    frame_bytes = channels * (-(-bits // 8))
    return struct.pack(f"{order}HHIIHH", tag, channels, rate, rate * frame_bytes, frame_bytes, bits)


def framed(parts: Parts, order: str = "<") -> bytes:
    return b"".join(
        name + struct.pack(f"{order}I", len(body)) + body + b"\0" * (len(body) % 2)
        for name, body in parts
    )


def riff(parts: Parts, *, magic: bytes = b"RIFF", form: bytes = b"WAVE", order: str = "<") -> bytes:
    inner = form + framed(parts, order)
    return magic + struct.pack(f"{order}I", len(inner)) + inner


def wav(data: bytes, *before: tuple[bytes, bytes], after: Parts = (), **form: int) -> bytes:
    """Return a WAV file with chunks before and after its samples."""
    return riff([*before, (b"fmt ", format_payload(**form)), (b"data", data), *after])


def rf64(
    data: bytes, frames: int, *, magic: bytes = b"RF64", after: Parts = (), **form: int
) -> bytes:
    """Return an RF64 file: the 32-bit sizes are left unknown (EBU Tech 3306)."""
    head = framed([(b"fmt ", format_payload(**form))])
    tail = b"data" + struct.pack("<I", 0xFFFFFFFF) + data + b"\0" * (len(data) % 2) + framed(after)
    riff_size = 4 + 36 + len(head) + len(tail)
    ds64 = struct.pack("<QQQI", riff_size, len(data), frames, 0)
    return magic + b"\xff\xff\xff\xffWAVE" + framed([(b"ds64", ds64)]) + head + tail


def w64(parts: Parts) -> bytes:
    """Return a W64 file; as libsndfile does, without padding at its end."""
    inner = b""
    for name, body in parts:
        raw_name = name if len(name) == 16 else name + W64_TAIL
        inner += bytes(-len(inner) % 8)
        inner += raw_name + struct.pack("<Q", len(body) + 24) + body
    return W64_RIFF + struct.pack("<Q", 40 + len(inner)) + W64_WAVE + inner


def chunks_of(data: bytes, order: str = "<") -> list[tuple[bytes, bytes]]:
    """Walk a RIFF or AIFF file plainly; an independent look at what was written."""
    (size,) = struct.unpack_from(f"{order}I", data, 4)
    assert size == len(data) - 8
    at, parts = 12, []
    while at < len(data):
        name, length = data[at : at + 4], struct.unpack_from(f"{order}I", data, at + 4)[0]
        parts.append((name, data[at + 8 : at + 8 + length]))
        assert len(parts[-1][1]) == length
        at += 8 + length + length % 2
    assert at == len(data)
    return parts


def bext_payload(time_reference: int, *, history: bytes = b"", version: int = 2) -> bytes:
    """Return a bext chunk after EBU Tech 3285 version 2 (offsets as the standard has them)."""
    loudness = struct.pack("<hhhhh", -2300, 700, -100, -1800, -2000)
    return (
        b"close microphone".ljust(256, b"\0")
        + b"recorder".ljust(32, b"\0")
        + b"XX001".ljust(32, b"\0")
        + b"2020-01-0210:20:30"
        + struct.pack("<IIH", time_reference & 0xFFFFFFFF, time_reference >> 32, version)
        + bytes(range(64))
        + loudness
        + bytes(180)
        + history
    )


def flip_files(
    paths: Sequence[Path] | Path,
    out: Path,
    start: int | None = None,
    end: int | None = None,
    *,
    starts_together: bool = False,
    **settings: object,
) -> Manifest:
    """Flip files over a range, by default over all that they share."""
    take = open_take([paths] if isinstance(paths, Path) else paths, starts_together=starts_together)
    return flip_take(
        take,
        out,
        start_frame=take.common.start if start is None else start,
        end_frame=take.common.end if end is None else end,
        settings=FlipSettings(**settings),
    )


def flip_bytes(folder: Path, data: bytes, name: str = "take.wav", **settings: object) -> bytes:
    """Flip the bytes of one file."""
    source = folder / name
    source.write_bytes(data)
    manifest = flip_files(source, folder / "out", overwrite=True, **settings)
    return (folder / "out" / manifest.files[0].output).read_bytes()


def samples(path: Path) -> np.ndarray:
    """Read samples with libsndfile."""
    return soundfile.read(path, dtype="int32", always_2d=True)[0]

"""One file of a take: what it is, without touching it."""

import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, NamedTuple

import soundfile

from retro.errors import AudioError
from retro.takes.bext import time_reference_in
from retro.takes.chunks import Chunk, Container, Layout, read_layout, read_payload
from retro.takes.sample_format import Coding, SampleFormat, aiff_format, wave_format

FLAC_BITS = {"PCM_S8": 8, "PCM_16": 16, "PCM_24": 24}

UNKNOWN_FRAMES = 1 << 36
"""FLAC counts frames with 36 bits; 0 stands for a length that is not known (RFC 9639)."""


class Identity(NamedTuple):
    """What tells that a file is still the same one, unchanged."""

    device: int
    inode: int
    bytes: int
    modified_ns: int

    @classmethod
    def of(cls, status: os.stat_result) -> "Identity":
        """Take it from the system's answer about a file."""
        return cls(status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeFile:
    """A file of a take, as it was when it was looked at.

    Parameters
    ----------
    path
        As it was given.
    container
        Outer form.
    layout
        Where its chunks lie; None for FLAC.
    sample
        Channels, rate and coding.
    frames
        Whole frames that are really there.
    data_offset
        Where the samples begin; 0 for FLAC.
    time_reference_samples
        Frames from midnight to the first frame, or None where the file does not say.
    identity
        Tells whether the file has changed since.
    notices
        What was found odd.
    """

    path: Path
    container: Container
    layout: Layout | None
    sample: SampleFormat
    frames: int
    data_offset: int
    time_reference_samples: int | None
    identity: Identity
    notices: tuple[str, ...]


def open_take_file(path: Path) -> TakeFile:
    """Look at a file of a take.

    Raises
    ------
    AudioError
        If it is no sound file that can be turned round.
    OSError
        If it cannot be read.
    """
    if not path.is_file():
        what = "this is a folder" if path.is_dir() else "there is no such file"
        raise AudioError(what, where=path)
    with path.open("rb") as file:
        identity = Identity.of(os.fstat(file.fileno()))
        if identity.bytes == 0:
            raise AudioError("the file is empty", where=path)
        layout = read_layout(file, identity.bytes, path)
        if layout is not None:
            return _chunked(path, file, layout, identity)
        file.seek(0)
        is_flac = file.read(4) == b"fLaC"
    if not is_flac:
        raise AudioError(
            "this is not a sound file that can be turned round",
            where=path,
            advice="WAV, RF64, W64, AIFF and FLAC can",
        )
    return _flac(path, identity)


def _chunked(path: Path, file: BinaryIO, layout: Layout, identity: Identity) -> TakeFile:
    data = _chunk(layout, layout.data_name, path)
    notices = list(layout.notices)
    if layout.container.is_wave:
        payload = read_payload(file, _chunk(layout, b"fmt ", path))
        sample = wave_format(payload, layout.framing.byte_order, path)
        skipped = 0
    else:
        payload = read_payload(file, _chunk(layout, b"COMM", path))
        sample = aiff_format(payload, is_aifc=layout.container is Container.AIFC, path=path)
        skipped = _aiff_skipped(file, data)
    frames, rest = divmod(max(data.size - skipped, 0), sample.frame_bytes)
    if rest:
        notices.append(f"{rest} bytes of a cut-off last frame are left out")
    return TakeFile(
        path=path,
        container=layout.container,
        layout=layout,
        sample=sample,
        frames=frames,
        data_offset=data.offset + skipped,
        time_reference_samples=_time_reference(file, layout),
        identity=identity,
        notices=tuple(notices),
    )


def _chunk(layout: Layout, name: bytes, path: Path) -> Chunk:
    chunk = layout.find(name)
    if chunk is None:
        raise AudioError(f"the file has no {name.decode().strip()} chunk", where=path)
    return chunk


def _aiff_skipped(file: BinaryIO, data: Chunk) -> int:
    """Bytes before the first sample of a sound data chunk: its head, and the offset it states."""
    file.seek(data.offset)
    head = file.read(min(data.size, 8))
    if len(head) < 8:
        return data.size
    (offset,) = struct.unpack_from(">I", head)
    return 8 + int(offset)


def _time_reference(file: BinaryIO, layout: Layout) -> int | None:
    chunk = layout.find(b"bext")
    if chunk is None or not layout.container.is_wave:
        return None
    return time_reference_in(read_payload(file, chunk), layout.framing.byte_order)


def _flac(path: Path, identity: Identity) -> TakeFile:
    try:
        with soundfile.SoundFile(os.fsencode(path)) as sound:
            frames, rate, channels = sound.frames, sound.samplerate, sound.channels
            bits = FLAC_BITS[sound.subtype]
    except (soundfile.SoundFileError, RuntimeError, KeyError) as fault:
        raise AudioError("this FLAC file cannot be read", where=path) from fault
    if not 0 < frames < UNKNOWN_FRAMES:
        raise AudioError(
            "this FLAC file does not say how long it is", where=path, advice="encode it again"
        )
    sample = SampleFormat(
        rate=rate,
        channels=channels,
        coding=Coding.INTEGER,
        bits=bits,
        sample_bytes=-(-bits // 8),
        byte_order="<",
    )
    return TakeFile(
        path=path,
        container=Container.FLAC,
        layout=None,
        sample=sample,
        frames=frames,
        data_offset=0,
        time_reference_samples=None,
        identity=identity,
        notices=(),
    )

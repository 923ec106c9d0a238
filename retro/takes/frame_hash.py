"""The hash of frames of a source, by which they are known again without reading the whole file."""

import hashlib
import os
from collections.abc import Callable, Iterator

import soundfile

from retro.errors import AudioError, TakeError
from retro.takes.flac_file import BLOCK_FRAMES
from retro.takes.marks import FrameSpan
from retro.takes.reverse import BLOCK_BYTES
from retro.takes.take_file import TakeFile


def frames_sha256(file: TakeFile, span: FrameSpan, advance: Callable[[int], None]) -> str:
    """Return the SHA-256 of some frames of a file, in hexadecimal digits.

    Hashed are the bytes of the frames as they lie in the file; of FLAC its decoded samples, left
    justified in 32 bits, little-endian.

    Parameters
    ----------
    advance
        Called with the bytes of each block of samples.

    Raises
    ------
    TakeError
        If the file ends before the span does.
    AudioError
        If a FLAC file's sound is damaged.
    """
    digest = hashlib.sha256()
    frames = 0
    frame_bytes = file.sample.frame_bytes
    for block, count in _flac(file, span) if file.layout is None else _chunked(file, span):
        digest.update(block)
        frames += count
        advance(count * frame_bytes)
    if frames != span.frames:
        raise TakeError("the file became shorter while it was read", where=file.path)
    return digest.hexdigest()


_Blocks = Iterator[tuple[bytes | memoryview, int]]


def _chunked(file: TakeFile, span: FrameSpan) -> _Blocks:
    frame_bytes = file.sample.frame_bytes
    buffer = memoryview(bytearray(max(BLOCK_BYTES // frame_bytes, 1) * frame_bytes))
    left = span.frames * frame_bytes
    with file.path.open("rb") as source:
        source.seek(file.data_offset + span.start * frame_bytes)
        while left and (size := source.readinto(buffer[: min(left, len(buffer))])):
            yield buffer[:size], size // frame_bytes
            left -= size


def _flac(file: TakeFile, span: FrameSpan) -> _Blocks:
    try:
        with soundfile.SoundFile(os.fsencode(file.path)) as source:
            source.seek(span.start)
            for block in source.blocks(
                BLOCK_FRAMES, frames=span.frames, dtype="int32", always_2d=True
            ):
                yield block.astype("<i4").tobytes(), len(block)
    except soundfile.SoundFileError as fault:
        raise AudioError("this FLAC file cannot be read", where=file.path) from fault

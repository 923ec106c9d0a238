"""A FLAC file turned round: decoded and encoded again, losslessly.

Tags, pictures and other programs' blocks are kept byte for byte. What tells of the old frames'
places (seek table, cue sheet, and the chunks of the WAV or AIFF that the file was made of) is left
out. Source of the layout: RFC 9639.
"""

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import soundfile

from retro.errors import AudioError, LimitError, TakeError
from retro.takes.fade import Block, faded, left_justified_scale
from retro.takes.marks import FrameSpan
from retro.takes.sample_format import SampleFormat
from retro.takes.take_file import FLAC_BITS

MARK = b"fLaC"
STREAMINFO, PADDING, APPLICATION, SEEKTABLE, CUESHEET = 0, 1, 2, 3, 5
FOREIGN = (b"riff", b"aiff", b"w64 ")
"""Identifiers of blocks that hold the chunks of the file that was encoded."""

LAST = 0x80
MAX_METADATA_BYTES = 2**26
"""Where the first frame of a FLAC file begins at the latest."""

BLOCK_FRAMES = 1 << 16
SUBTYPES = {bits: name for name, bits in FLAC_BITS.items()}


@dataclass(frozen=True, slots=True)
class MetadataBlock:
    """A metadata block: its type and payload."""

    kind: int
    payload: bytes

    @property
    def is_kept(self) -> bool:
        """Whether it is still true after the flip."""
        if self.kind == APPLICATION:
            return self.payload[:4] not in FOREIGN
        return self.kind not in (STREAMINFO, SEEKTABLE, CUESHEET)


def read_metadata(file: BinaryIO) -> tuple[MetadataBlock, ...]:
    """Read the metadata blocks of a FLAC file; the file is left at its first frame.

    Raises
    ------
    AudioError
        If there are none.
    LimitError
        If they hold more than files have.
    """
    file.seek(0)
    if file.read(4) != MARK:
        raise AudioError("this is not a FLAC file")
    blocks: list[MetadataBlock] = []
    while file.tell() < MAX_METADATA_BYTES:
        head = file.read(4)
        if len(head) < 4:
            raise AudioError("this FLAC file is cut off")
        blocks.append(MetadataBlock(head[0] & ~LAST, file.read(int.from_bytes(head[1:], "big"))))
        if head[0] & LAST:
            return tuple(blocks)
    raise LimitError(f"holds more than {MAX_METADATA_BYTES} bytes of metadata", where=file.name)


def flip_flac(
    path: Path,
    *,
    sample: SampleFormat,
    span: FrameSpan,
    fade_frames: int,
    scratch: BinaryIO,
    target: BinaryIO,
    advance: Callable[[int], None],
) -> None:
    """Write the flip of a FLAC file.

    `scratch` is an empty file that is thrown away; `advance` is called with the bytes of each block
    of samples.

    Raises
    ------
    AudioError
        If the source's sound is damaged, or its rate is one that no encoder writes.
    TakeError
        If the source ends before the span does.
    OSError
        If a file cannot be written.
    """
    guarded = _Guarded(scratch)
    with _encoder(guarded, sample, path) as encoder:
        for block in _blocks(path, sample, span, fade_frames):
            encoder.write(block)
            guarded.refuse_failed()
            advance(len(block) * sample.frame_bytes)
    guarded.refuse_failed()
    with path.open("rb") as source:
        kept = [block for block in read_metadata(source) if block.is_kept]
    made = read_metadata(scratch)
    target.write(MARK)
    metadata = [made[0], *kept]
    for index, part in enumerate(metadata):
        last = LAST if index == len(metadata) - 1 else 0
        target.write(bytes([part.kind | last]) + len(part.payload).to_bytes(3, "big"))
        target.write(part.payload)
    shutil.copyfileobj(scratch, target)


def _encoder(guarded: "_Guarded", sample: SampleFormat, path: Path) -> soundfile.SoundFile:
    try:
        return soundfile.SoundFile(
            guarded,
            "w",
            samplerate=sample.rate,
            channels=sample.channels,
            subtype=SUBTYPES[sample.bits],
            format="FLAC",
        )
    except soundfile.SoundFileError:
        raise AudioError(
            f"no encoder writes FLAC at {sample.rate} frames a second, {sample.channels} channels",
            where=path,
        ) from None


def _blocks(path: Path, sample: SampleFormat, span: FrameSpan, fade_frames: int) -> Iterator[Block]:
    reversed_blocks = _reversed(path, span)
    if not fade_frames:
        return reversed_blocks
    return faded(
        reversed_blocks,
        frames=span.frames,
        fade_frames=fade_frames,
        frame_items=1,
        scale=left_justified_scale(sample),
    )


def _reversed(path: Path, span: FrameSpan) -> Iterator[Block]:
    with soundfile.SoundFile(os.fsencode(path)) as source:
        for end in range(span.end, span.start, -BLOCK_FRAMES):
            start = max(end - BLOCK_FRAMES, span.start)
            try:
                source.seek(start)
                block = source.read(end - start, dtype="int32", always_2d=True)
            except soundfile.SoundFileError:
                raise AudioError(
                    f"its sound is damaged between frames {start} and {end}", where=path
                ) from None
            if len(block) != end - start:
                raise TakeError("the file became shorter while it was read", where=path)
            yield block[::-1].copy()


class _Guarded:
    """A file for an encoder that passes no failure of a write on.

    The first one is kept until it is asked for, and what follows it is thrown away.
    """

    def __init__(self, file: BinaryIO) -> None:
        self.file = file
        self.fault: OSError | None = None

    def refuse_failed(self) -> None:
        if self.fault is not None:
            raise self.fault

    def write(self, data: bytes) -> int:
        if self.fault is None:
            try:
                self.file.write(data)
            except OSError as fault:
                self.fault = fault
        return len(data)

    def read(self, size: int) -> bytes:
        return self.file.read(size)

    def seek(self, offset: int, whence: int = 0) -> int:
        return self.file.seek(offset, whence)

    def tell(self) -> int:
        return self.file.tell()

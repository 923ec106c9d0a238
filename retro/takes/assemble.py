"""Several takes of one microphone joined into one, and read backwards.

Stretches of files follow each other. Around each boundary two of them fade into each other with
gains of equal power, since takes of the same music are as good as unrelated in phase. Outside these
crossfades every sample is that of its take, bit for bit.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from retro.errors import TakeError
from retro.takes.fade import Gains, frame_scale, mixed
from retro.takes.marks import FrameSpan
from retro.takes.reverse import Bytes, reverse_frames, reversed_blocks
from retro.takes.take_file import TakeFile


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A stretch of one file, up to the boundaries with its neighbours.

    `fade_frames` is the even length of the crossfade around its end; 0 for the last.
    """

    file: TakeFile
    span: FrameSpan
    fade_frames: int


def refuse_unlike(stretches: Sequence[Stretch]) -> None:
    """Refuse stretches that cannot be joined.

    Raises
    ------
    TakeError
        If the files differ in form, if a crossfade has no room, or reaches out of a file.
    """
    first = stretches[0].file
    frame_scale(first.sample)
    for stretch in stretches:
        file = stretch.file
        if file.layout is None:
            raise TakeError(
                "FLAC files are not joined", where=file.path, advice="decode it to WAV first"
            )
        if file.sample != first.sample:
            raise TakeError(
                f"{file.sample}, while {first.path.name} is {first.sample}; "
                "takes of one microphone are of one form",
                where=file.path,
            )
    lead = 0
    for stretch in stretches:
        if stretch.span.frames < lead + stretch.fade_frames // 2:
            raise TakeError(
                f"{stretch.span.frames} frames are too few for their crossfades",
                where=stretch.file.path,
            )
        lead = stretch.fade_frames // 2
    for before, after in pairwise(stretches):
        half = before.fade_frames // 2
        _refuse_no_room(before, before.span.end - half, before.span.end + half)
        _refuse_no_room(after, after.span.start - half, after.span.start + half)


def _refuse_no_room(stretch: Stretch, start: int, end: int) -> None:
    if not 0 <= start <= end <= stretch.file.frames:
        raise TakeError(
            f"a crossfade needs frames {start}-{end}, and the file has {stretch.file.frames}",
            where=stretch.file.path,
        )


def spans_read(stretches: Sequence[Stretch]) -> tuple[tuple[TakeFile, FrameSpan], ...]:
    """Return the frames that are read of each stretch: its own, and its halves of crossfades."""
    leads = [0, *(stretch.fade_frames // 2 for stretch in stretches)]
    return tuple(
        (
            stretch.file,
            FrameSpan(stretch.span.start - lead, stretch.span.end + stretch.fade_frames // 2),
        )
        for stretch, lead in zip(stretches, leads, strict=False)
    )


def assembled_backwards(stretches: Sequence[Stretch]) -> Iterator[Bytes]:
    """Yield the joined stretches from the end to the beginning, frame by frame reversed.

    Each block is valid until the next one is asked for.
    """
    for index in range(len(stretches) - 1, -1, -1):
        stretch = stretches[index]
        before = stretches[index - 1] if index else None
        lead = before.fade_frames // 2 if before else 0
        yield from _plain(stretch, lead)
        if before and before.fade_frames:
            yield _crossfaded(before, stretch)


def _plain(stretch: Stretch, lead: int) -> Iterator[Bytes]:
    span = FrameSpan(stretch.span.start + lead, stretch.span.end - stretch.fade_frames // 2)
    with stretch.file.path.open("rb") as source:
        yield from reversed_blocks(
            source,
            data_offset=stretch.file.data_offset,
            frame_bytes=stretch.file.sample.frame_bytes,
            span=span,
        )


def _crossfaded(before: Stretch, after: Stretch) -> Bytes:
    frames = before.fade_frames
    rising, falling = equal_power(frames)
    sample = before.file.sample
    forwards = mixed(
        sample,
        (_frames(before.file, before.span.end - frames // 2, frames), falling),
        (_frames(after.file, after.span.start - frames // 2, frames), rising),
    )
    backwards = np.empty_like(forwards)
    reverse_frames(forwards, sample.frame_bytes, backwards)
    return backwards


def equal_power(frames: int) -> tuple[Gains, Gains]:
    """Return rising and falling gains whose squares add up to 1."""
    angle = 0.5 * np.pi * (np.arange(frames) + 0.5) / frames
    return np.sin(angle), np.cos(angle)


def _frames(file: TakeFile, start: int, count: int) -> Bytes:
    size = count * file.sample.frame_bytes
    with file.path.open("rb") as source:
        source.seek(file.data_offset + start * file.sample.frame_bytes)
        data = source.read(size)
    if len(data) != size:
        raise TakeError("the file became shorter while it was read", where=file.path)
    return np.frombuffer(data, dtype=np.uint8)

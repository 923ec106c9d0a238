"""Frames in reverse order, a block at a time, without decoding them.

A frame is a row of bytes; reversing it as such gives back the very samples whatever they mean.
Memory does not grow with the file.
"""

from collections.abc import Iterator
from io import BufferedReader

import numpy as np
import numpy.typing as npt

from retro.errors import TakeError
from retro.takes.marks import FrameSpan

Bytes = npt.NDArray[np.uint8]

BLOCK_BYTES = 1 << 18
"""Small enough to stay in a processor's cache between reading, turning, hashing and writing."""

WORDS = ((8, np.dtype("u8")), (4, np.dtype("u4")), (2, np.dtype("u2")), (1, np.dtype("u1")))

NARROWEST_WHOLE = 13
"""From this many bytes on, frames are copied faster whole than word by word (measured)."""


def block_frames(frame_bytes: int) -> int:
    """Frames in a block."""
    return max(BLOCK_BYTES // frame_bytes, 1)


def reverse_frames(frames: Bytes, frame_bytes: int, into: Bytes) -> None:
    """Copy whole frames in reverse order; both arrays are of one size and do not overlap."""
    if frame_bytes >= NARROWEST_WHOLE:
        whole = np.dtype(f"V{frame_bytes}")
        into.view(whole)[:] = frames.view(whole)[::-1]
        return
    size, word = next(pair for pair in WORDS if frame_bytes % pair[0] == 0)
    words = frame_bytes // size
    source, target = frames.view(word), into.view(word)
    for k in range(words):
        target[k::words] = source[k::words][::-1]


def reversed_blocks(
    file: BufferedReader, *, data_offset: int, frame_bytes: int, span: FrameSpan
) -> Iterator[Bytes]:
    """Yield a span of frames from its end, as uint8 blocks in reverse order.

    A block is valid until the next one is asked for. Frame 0 begins at byte `data_offset`.

    Raises
    ------
    TakeError
        If the file ends before the span does.
    """
    step = block_frames(frame_bytes)
    read = np.empty(step * frame_bytes, dtype=np.uint8)
    turned = np.empty_like(read)
    for end in range(span.end, span.start, -step):
        start = max(end - step, span.start)
        size = (end - start) * frame_bytes
        file.seek(data_offset + start * frame_bytes)
        if file.readinto(read[:size].data) != size:
            raise TakeError("the file became shorter while it was read")
        reverse_frames(read[:size], frame_bytes, turned[:size])
        yield turned[:size]

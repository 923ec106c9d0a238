"""A fade at the end of the flipped clip: the one thing that changes samples, and only if asked.

The gain falls as half a cosine and reaches 0 on the last frame. Integers are rounded to the nearest
value that their bits have.
"""

from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from retro.errors import TakeError
from retro.takes.reverse import Bytes
from retro.takes.sample_format import Coding, SampleFormat

Block = npt.NDArray[Any]
Gains = npt.NDArray[np.float64]
Scale = Callable[[Block, Gains], Block]

MAX_INTEGER_BYTES = 4


def faded(
    blocks: Iterator[Block], *, frames: int, fade_frames: int, frame_items: int, scale: Scale
) -> Iterator[Block]:
    """Yield a row of blocks, `frames` in all, whose last `fade_frames` fade out.

    The first axis of a block holds `frame_items` items a frame; `scale` gives a block of frames
    times one gain a frame.
    """
    fade_start, at = frames - fade_frames, 0
    for block in blocks:
        count = len(block) // frame_items
        before = min(max(fade_start - at, 0), count)
        if before < count:
            done = np.arange(at + before, at + count) - fade_start + 1
            gains = 0.5 + 0.5 * np.cos(np.pi * done / fade_frames)
            cut = before * frame_items
            yield np.concatenate([block[:cut], scale(block[cut:], gains)])
        else:
            yield block
        at += count


def frame_scale(sample: SampleFormat) -> Scale:
    """Return the function that scales the raw bytes of frames.

    Raises
    ------
    TakeError
        If samples coded like this cannot be scaled.
    """
    if sample.coding is Coding.FLOAT:
        return partial(_scale_floats, sample)
    if sample.coding is Coding.INTEGER and sample.sample_bytes <= MAX_INTEGER_BYTES:
        return partial(_scale_integers, sample)
    raise TakeError(f"{sample} samples cannot be faded", advice="leave --fade-out away")


def left_justified_scale(sample: SampleFormat) -> Scale:
    """Return the function that scales 32-bit integers whose upper bits are the samples."""
    shift = 32 - sample.bits

    def scale(block: Block, gains: Gains) -> Block:
        scaled = np.rint((block >> shift) * gains[:, np.newaxis])
        return np.asarray(scaled.astype(np.int32) << shift)

    return scale


def _scale_floats(sample: SampleFormat, block: Block, gains: Gains) -> Block:
    kind = np.dtype(f"{sample.byte_order}f{sample.sample_bytes}")
    numbers = block.view(kind).reshape(-1, sample.channels)
    return np.asarray((numbers * gains[:, np.newaxis]).astype(kind)).reshape(-1).view(np.uint8)


def mixed(sample: SampleFormat, *sounds: tuple[Bytes, Gains]) -> Bytes:
    """Return the sum of raw frames, each with one gain a frame; what is too loud is held at full.

    They are coded as integers or floats; see `frame_scale`.
    """
    if sample.coding is Coding.FLOAT:
        kind = np.dtype(f"{sample.byte_order}f{sample.sample_bytes}")
        floats = sum(
            block.view(kind).reshape(-1, sample.channels) * gains[:, np.newaxis]
            for block, gains in sounds
        )
        return np.asarray(floats, dtype=kind).reshape(-1).view(np.uint8)
    numbers = sum(
        _integers(sample, block).reshape(-1, sample.channels) * gains[:, np.newaxis]
        for block, gains in sounds
    )
    full = float(1 << (8 * sample.sample_bytes - 1))
    return _integer_bytes(sample, np.clip(numbers, -full, full - 1))


def _scale_integers(sample: SampleFormat, block: Block, gains: Gains) -> Block:
    numbers = _integers(sample, block).reshape(-1, sample.channels)
    return _integer_bytes(sample, numbers * gains[:, np.newaxis])


def _integer_bytes(sample: SampleFormat, numbers: npt.NDArray[np.float64]) -> Bytes:
    """Encode numbers as integers of any width."""
    scaled = np.rint(numbers).astype("<i8")
    if not sample.is_signed:
        scaled += 1 << (8 * sample.sample_bytes - 1)
    each = scaled.reshape(-1).view(np.uint8).reshape(-1, 8)[:, : sample.sample_bytes]
    ordered = each if sample.byte_order == "<" else each[:, ::-1]
    return np.ascontiguousarray(ordered).reshape(-1)


def _integers(sample: SampleFormat, block: Bytes) -> npt.NDArray[np.int64]:
    """Decode integers of any width; sign and offset are taken out."""
    each = block.reshape(-1, sample.sample_bytes)
    ordered = each if sample.byte_order == "<" else each[:, ::-1]
    wide = np.zeros((len(ordered), 8), dtype=np.uint8)
    wide[:, 8 - sample.sample_bytes :] = ordered
    numbers = wide.reshape(-1).view("<i8") >> (64 - 8 * sample.sample_bytes)
    if sample.is_signed:
        return np.asarray(numbers)
    middle = 1 << (8 * sample.sample_bytes - 1)
    return np.asarray((numbers & (2 * middle - 1)) - middle)

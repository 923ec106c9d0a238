"""Marks inside a file: cues, regions, loops and markers, mirrored with the samples.

A mark lies between frames: at boundary ``e`` of the flipped range ``[start, end)`` it goes to
``end - e``, a region ``[a, b)`` to ``[end - b, end - a)`` (`docs/theory.md`). What lies
outside the range is left out, what reaches beyond it is cut. Records keep their order and their
identity, so that flipping twice gives the first bytes back. A frame that a file points at is no
boundary: ``k`` goes to ``end - 1 - k``.

Sources: RIFF (``cue``, ``LIST adtl``, ``smpl``) and AIFF (``MARK``, ``INST``), from memory; checked
against what libsndfile reads.
"""

import struct
from dataclasses import dataclass
from typing import Literal

ByteOrder = Literal["<", ">"]

CUE_BYTES = 24
LOOP_OFFSET, LOOP_BYTES = 36, 24
INSTRUMENT_LOOPS = (8, 14)
"""Where the sustain and the release loop of an AIFF instrument stand."""


@dataclass(frozen=True, slots=True)
class FrameSpan:
    """The flipped range in frames of the file, half open."""

    start: int
    end: int

    @property
    def frames(self) -> int:
        """Length in frames."""
        return self.end - self.start

    def mirrored(self, start: int, end: int) -> tuple[int, int] | None:
        """Mirror a mark (``start == end``) or a region; None where nothing of it lies inside."""
        first, last = max(start, self.start), min(end, self.end)
        if first > last or (first == last and start != end):
            return None
        return self.end - last, self.end - first


@dataclass(frozen=True, slots=True)
class MirroredCues:
    """The payload of a ``cue`` chunk, the regions of the cues in it, and which cues are gone."""

    payload: bytes
    region_frames: dict[int, int]
    left_out: tuple[int, ...]


def region_lengths(adtl: bytes, byte_order: ByteOrder) -> dict[int, int]:
    """Return the region length of each cue that has one, out of a ``LIST adtl`` payload."""
    return {
        cue: frames
        for name, body in _notes(adtl, byte_order)
        if name == b"ltxt" and len(body) >= 8
        for cue, frames in [struct.unpack_from(f"{byte_order}II", body)]
    }


def mirror_cues(
    payload: bytes, regions: dict[int, int], span: FrameSpan, byte_order: ByteOrder
) -> MirroredCues:
    """Mirror the payload of a ``cue`` chunk; `regions` are the lengths of the cues' regions."""
    if len(payload) < 4:
        return MirroredCues(payload, {}, ())
    (count,) = struct.unpack_from(f"{byte_order}I", payload)
    count = min(count, (len(payload) - 4) // CUE_BYTES)
    kept, left_out, lengths = [], [], {}
    for index in range(count):
        record = bytearray(payload[4 + index * CUE_BYTES :][:CUE_BYTES])
        cue, position = struct.unpack_from(f"{byte_order}II", record)
        (offset,) = struct.unpack_from(f"{byte_order}I", record, 20)
        placed = span.mirrored(offset, offset + regions.get(cue, 0))
        if placed is None:
            left_out.append(cue)
            continue
        struct.pack_into(f"{byte_order}I", record, 20, placed[0])
        if position == offset:
            struct.pack_into(f"{byte_order}I", record, 4, placed[0])
        lengths[cue] = placed[1] - placed[0]
        kept.append(bytes(record))
    rest = payload[4 + count * CUE_BYTES :]
    head = struct.pack(f"{byte_order}I", len(kept))
    return MirroredCues(head + b"".join(kept) + rest, lengths, tuple(left_out))


def mirror_labels(adtl: bytes, cues: MirroredCues, byte_order: ByteOrder) -> bytes:
    """Return a ``LIST adtl`` payload without the cues that are gone, with the regions' lengths.

    It stays byte for byte where none is gone and no region is cut.
    """
    regions = region_lengths(adtl, byte_order)
    same = all(cues.region_frames.get(cue, frames) == frames for cue, frames in regions.items())
    if same and not cues.left_out:
        return adtl
    parts = [adtl[:4]]
    for name, body in _notes(adtl, byte_order):
        changed = body
        if name in (b"labl", b"note", b"ltxt") and len(body) >= 4:
            (cue,) = struct.unpack_from(f"{byte_order}I", body)
            if cue in cues.left_out:
                continue
            if name == b"ltxt" and len(body) >= 8 and cue in cues.region_frames:
                length = struct.pack(f"{byte_order}I", cues.region_frames[cue])
                changed = body[:4] + length + body[8:]
        size = struct.pack(f"{byte_order}I", len(changed))
        parts.append(name + size + changed + b"\0" * (len(changed) % 2))
    return b"".join(parts)


def mirror_loops(payload: bytes, span: FrameSpan, byte_order: ByteOrder) -> tuple[bytes, int]:
    """Mirror the loops of a ``smpl`` chunk; give the payload and how many loops are left out.

    A loop's end is its last frame.
    """
    if len(payload) < LOOP_OFFSET:
        return payload, 0
    (count,) = struct.unpack_from(f"{byte_order}I", payload, 28)
    count = min(count, (len(payload) - LOOP_OFFSET) // LOOP_BYTES)
    kept = []
    for index in range(count):
        record = bytearray(payload[LOOP_OFFSET + index * LOOP_BYTES :][:LOOP_BYTES])
        start, last = struct.unpack_from(f"{byte_order}II", record, 8)
        if not span.start <= start <= last < span.end:
            continue
        struct.pack_into(f"{byte_order}II", record, 8, span.end - 1 - last, span.end - 1 - start)
        kept.append(bytes(record))
    head = payload[:28] + struct.pack(f"{byte_order}I", len(kept)) + payload[32:LOOP_OFFSET]
    rest = payload[LOOP_OFFSET + count * LOOP_BYTES :]
    return head + b"".join(kept) + rest, count - len(kept)


def mirror_markers(payload: bytes, span: FrameSpan) -> tuple[bytes, int]:
    """Mirror the markers of an AIFF ``MARK`` chunk; likewise."""
    if len(payload) < 2:
        return payload, 0
    (count,) = struct.unpack_from(">H", payload)
    at, kept, left_out = 2, [], 0
    for _ in range(count):
        if at + 7 > len(payload):
            break
        number, position, letters = struct.unpack_from(">HIB", payload, at)
        end = at + 6 + letters + 1 + (letters + 1) % 2
        placed = span.mirrored(position, position)
        if placed is None:
            left_out += 1
        else:
            kept.append(struct.pack(">HI", number, placed[0]) + payload[at + 6 : end])
        at = end
    return struct.pack(">H", len(kept)) + b"".join(kept) + payload[at:], left_out


def mirror_instrument(payload: bytes) -> bytes:
    """Let the loops of an AIFF ``INST`` chunk begin at the markers at which they ended."""
    changed = bytearray(payload)
    for at in INSTRUMENT_LOOPS:
        if at + 6 <= len(payload):
            changed[at + 2 : at + 6] = payload[at + 4 : at + 6] + payload[at + 2 : at + 4]
    return bytes(changed)


def mirror_peaks(payload: bytes, span: FrameSpan, byte_order: ByteOrder) -> bytes | None:
    """Mirror the frames of a ``PEAK`` chunk; None where a peak lies outside the range.

    After version and date, each channel has its peak as a 32-bit float and the frame of it.
    """
    changed = bytearray(payload)
    for at in range(8, len(payload) - 7, 8):
        (frame,) = struct.unpack_from(f"{byte_order}I", payload, at + 4)
        if not span.start <= frame < span.end:
            return None
        struct.pack_into(f"{byte_order}I", changed, at + 4, span.end - 1 - frame)
    return bytes(changed)


def _notes(adtl: bytes, byte_order: ByteOrder) -> list[tuple[bytes, bytes]]:
    """Return the (name, body) of every note in a ``LIST adtl`` payload."""
    notes, at = [], 4
    while at + 8 <= len(adtl):
        (size,) = struct.unpack_from(f"{byte_order}I", adtl, at + 4)
        notes.append((adtl[at : at + 4], adtl[at + 8 : at + 8 + size]))
        at += 8 + size + size % 2
    return notes

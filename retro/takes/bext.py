"""The broadcast chunk: the time-stamp of a file, and what was done to it.

Source of the offsets: EBU Tech 3285 version 2. Source of the coding
history's form: EBU R 98 (from memory). Its texts are ASCII: other letters are
written in Latin ones. Everything that is not named here is kept byte for byte,
loudness and UMID included.
"""

import struct
from typing import Literal

from anyascii import anyascii

from retro.takes.sample_format import Coding, SampleFormat
from retro.version import VERSION

DESCRIPTION, ORIGINATOR = slice(0, 256), slice(256, 288)
TIME_REFERENCE_OFFSET = 338
"""Frames since midnight, 64 bits, low word first."""

VERSION_OFFSET = 346
HISTORY_OFFSET = 602

MODES = {1: "mono", 2: "stereo"}
"""Words that R 98 has for one and two channels; for more none is stated."""


def time_reference_in(payload: bytes, byte_order: Literal["<", ">"]) -> int | None:
    """Return the TimeReference of a chunk, or None where the chunk is too short to hold one."""
    if len(payload) < TIME_REFERENCE_OFFSET + 8:
        return None
    words = struct.unpack_from(f"{byte_order}II", payload, TIME_REFERENCE_OFFSET)
    return int(words[0] | words[1] << 32)


def stamped(
    payload: bytes,
    *,
    time_reference_samples: int,
    history: str,
    byte_order: Literal["<", ">"] = "<",
) -> bytes:
    """Return a chunk with another TimeReference and one more line of coding history.

    Padding after the history is used up before the chunk grows, and it grows to an even size, since
    some readers do not expect an odd one. A chunk that is too short for a
    field is given back without it.
    """
    if len(payload) < TIME_REFERENCE_OFFSET + 8:
        return payload
    low, high = time_reference_samples & 0xFFFFFFFF, time_reference_samples >> 32
    words = struct.pack(f"{byte_order}II", low, high)
    after = payload[TIME_REFERENCE_OFFSET + 8 :]
    changed = payload[:TIME_REFERENCE_OFFSET] + words + after
    if len(payload) < HISTORY_OFFSET:
        return changed
    lines = changed[HISTORY_OFFSET:].rstrip(b"\0")
    if lines and not lines.endswith(b"\n"):
        lines += b"\r\n"
    whole = changed[:HISTORY_OFFSET] + lines + f"{anyascii(history)}\r\n".encode("ascii")
    return whole.ljust(max(len(payload), len(whole) + len(whole) % 2), b"\0")


def new_chunk(*, description: str) -> bytes:
    """Return a version 1 chunk without time or history; no date, since the file knows none."""
    fields = bytearray(HISTORY_OFFSET)
    fields[DESCRIPTION] = _text(description, DESCRIPTION)
    fields[ORIGINATOR] = _text(f"retro {VERSION}", ORIGINATOR)
    struct.pack_into("<H", fields, VERSION_OFFSET, 1)
    return bytes(fields)


def with_description(payload: bytes, words: str) -> bytes:
    """Return a chunk whose description begins with these words; what it said follows if it fits."""
    if len(payload) < HISTORY_OFFSET:
        return payload
    said = _said(payload[DESCRIPTION].rstrip(b"\0")).strip()
    text = words if not said or said == words else f"{words} | {said}"
    return _text(text, DESCRIPTION) + payload[DESCRIPTION.stop :]


def history_line(sample: SampleFormat, what: str) -> str:
    """Return a line of coding history: ``A=PCM,F=48000,W=24,M=mono,T=...``."""
    coding = {Coding.A_LAW: "ALAW", Coding.MU_LAW: "ULAW"}.get(sample.coding, "PCM")
    fields = [f"A={coding}", f"F={sample.rate}", f"W={sample.bits}"]
    if sample.channels in MODES:
        fields.append(f"M={MODES[sample.channels]}")
    text = f"retro {VERSION}; {what}".replace(",", ";")
    return ",".join([*fields, f"T={text}"])


def _said(data: bytes) -> str:
    """Return what a recorder wrote, whether it kept to ASCII or not."""
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _text(text: str, field: slice) -> bytes:
    width = field.stop - field.start
    return anyascii(text).encode("ascii")[:width].ljust(width, b"\0")

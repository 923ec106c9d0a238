"""What the samples of a file are: channels, rate, and how a number is coded."""

import struct
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Literal

from retro.errors import AudioError

EXTENSIBLE = 0xFFFE
EXTENSIBLE_TAILS = {
    "<": bytes.fromhex("00001000800000aa00389b71"),
    ">": bytes.fromhex("00000010800000aa00389b71"),
}
"""What follows the format's number in the identifier of an extensible header."""


class Coding(StrEnum):
    """How a sample is a number."""

    INTEGER = "integer"
    FLOAT = "float"
    A_LAW = "A-law"
    MU_LAW = "mu-law"


WAVE_CODINGS = {1: Coding.INTEGER, 3: Coding.FLOAT, 6: Coding.A_LAW, 7: Coding.MU_LAW}

AIFC_CODINGS: dict[bytes, tuple[Coding, Literal["<", ">"]]] = {
    b"NONE": (Coding.INTEGER, ">"),
    b"twos": (Coding.INTEGER, ">"),
    b"in24": (Coding.INTEGER, ">"),
    b"in32": (Coding.INTEGER, ">"),
    b"sowt": (Coding.INTEGER, "<"),
    b"fl32": (Coding.FLOAT, ">"),
    b"FL32": (Coding.FLOAT, ">"),
    b"fl64": (Coding.FLOAT, ">"),
    b"FL64": (Coding.FLOAT, ">"),
    b"alaw": (Coding.A_LAW, ">"),
    b"ulaw": (Coding.MU_LAW, ">"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleFormat:
    """Channels, rate and coding of a file.

    Parameters
    ----------
    rate
        Frames a second.
    channels
        Samples in a frame.
    coding, bits
        How a sample is a number, and how many bits of it count.
    sample_bytes
        Bytes that a sample takes.
    byte_order
        Of samples of more than one byte.
    is_signed
        Whether integers lie around 0; 8-bit WAV lies around 128.
    """

    rate: int
    channels: int
    coding: Coding
    bits: int
    sample_bytes: int
    byte_order: Literal["<", ">"]
    is_signed: bool = True

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame."""
        return self.channels * self.sample_bytes

    def __str__(self) -> str:
        return f"{self.bits}-bit {self.coding}"


def wave_format(payload: bytes, byte_order: Literal["<", ">"], path: Path) -> SampleFormat:
    """Read the payload of a ``fmt`` chunk.

    Raises
    ------
    AudioError
        If it states no format whose frames are all of one size.
    """
    if len(payload) < 16:
        raise AudioError("its format chunk is cut off", where=path)
    tag, channels, rate, _, frame_bytes, bits = struct.unpack_from(f"{byte_order}HHIIHH", payload)
    if tag == EXTENSIBLE and payload[28:40] == EXTENSIBLE_TAILS[byte_order]:
        (tag,) = struct.unpack_from(f"{byte_order}I", payload, 24)
    coding = WAVE_CODINGS.get(tag)
    if coding is None:
        raise AudioError(
            f"its samples are coded in form 0x{tag:04x}, which cannot be turned round",
            where=path,
            advice="export PCM or float",
        )
    sample_bytes, rest = divmod(frame_bytes, channels) if channels else (0, 1)
    checked = SampleFormat(
        rate=rate,
        channels=channels,
        coding=coding,
        bits=bits,
        sample_bytes=sample_bytes,
        byte_order=byte_order,
        is_signed=sample_bytes > 1,
    )
    return _checked(checked, rest == 0 and bits <= 8 * sample_bytes, path)


def aiff_format(payload: bytes, *, is_aifc: bool, path: Path) -> SampleFormat:
    """Read the payload of a ``COMM`` chunk.

    Raises
    ------
    AudioError
        As for `wave_format`.
    """
    if len(payload) < (22 if is_aifc else 18):
        raise AudioError("its format chunk is cut off", where=path)
    channels, _, bits, exponent, mantissa = struct.unpack_from(">hIhHQ", payload)
    name = payload[18:22] if is_aifc else b"NONE"
    if name not in AIFC_CODINGS:
        raise AudioError(
            f"its samples are coded as {name.decode('latin-1')!r}, which cannot be turned round",
            where=path,
            advice="export PCM or float",
        )
    coding, byte_order = AIFC_CODINGS[name]
    if coding in (Coding.A_LAW, Coding.MU_LAW):
        bits = 8
    checked = SampleFormat(
        rate=_extended_integer(exponent, mantissa),
        channels=channels,
        coding=coding,
        bits=bits,
        sample_bytes=-(-bits // 8),
        byte_order=byte_order,
    )
    return _checked(checked, bits > 0, path)


def _extended_integer(exponent: int, mantissa: int) -> int:
    """Integer of an 80-bit float; 0 where it is none, or no rate that audio has."""
    shift = 16383 + 63 - exponent
    if not 32 <= shift <= 63 or mantissa & ((1 << shift) - 1):
        return 0
    return mantissa >> shift


def _checked(sound: SampleFormat, is_whole: bool, path: Path) -> SampleFormat:
    is_float_size = sound.coding is not Coding.FLOAT or sound.sample_bytes in (4, 8)
    if sound.channels <= 0 or sound.rate <= 0 or not is_whole or not is_float_size:
        raise AudioError(
            f"its format makes no sense: {sound.channels} channels at {sound.rate} frames a "
            f"second, {sound.bits} bits in {sound.sample_bytes} bytes",
            where=path,
        )
    return sound

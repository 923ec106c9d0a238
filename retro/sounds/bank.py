"""A bank of sampled instruments (SoundFont 2), and what it sounds like when it plays a MIDI file.

The player is `midirenderer`, of the extra ``retro[sounds]``: why that one stands in
``docs/sounds.md``. It gives 16 bits at 48 kHz, and takes note of events every 64 frames.

Conventions
-----------
Banks and programs count from 0, as messages do. The drum kits of a bank stand in its bank 128.
Sound is (frames, 2), float32.
"""

import functools
import hashlib
import importlib
import io
import struct
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from retro.errors import BankError
from retro.render.wav import Sound32

BANK_RATE = 48_000
"""Frames a second that the player gives."""

BLOCK_FRAMES = 64
"""Frames between two moments at which the player takes note of events."""

DRUM_BANK = 128
"""Where SoundFont 2 keeps drum kits."""

MAX_BANK_BYTES = 2_000_000_000
"""Largest bank: it is held in memory while it plays (64-bit machines hold more; RIFF ends at 4)."""

PRESET_BYTES = 38
SAMPLE_BYTES = 46
SAMPLE_KIND_AT = 44
COMPRESSED = 0x10
"""Sizes and places of SoundFont 2.04, 7.2 and 7.10; the flag is that of compressed samples."""

FULL = 32_767 / 32_768
"""From here on a sample has hit the end of 16 bits."""


@dataclass(frozen=True, slots=True)
class Bank:
    """A bank in memory.

    Parameters
    ----------
    path
        Where it was read.
    sha256
        Of its bytes, in hexadecimal digits.
    presets
        Pairs of bank and program that it holds.
    """

    path: Path
    sha256: str
    presets: frozenset[tuple[int, int]]
    _bytes: bytes = field(repr=False)

    def play(self, midi: bytes) -> Sound32:
        """Return what a Standard MIDI File sounds like, shape (frames, 2), at `BANK_RATE`.

        Raises
        ------
        BankError
            If the player cannot read the bank.
        """
        try:
            wav = _player().render_wave_from(self._bytes, midi)
        except Exception as fault:
            raise BankError(f"cannot be played: {fault}", where=self.path.name) from None
        except BaseException as fault:
            if type(fault).__name__ != "PanicException":  # how a fault in the player arrives
                raise
            raise BankError("cannot be played: it is damaged", where=self.path.name) from None
        sound, _ = soundfile.read(io.BytesIO(wav), dtype="float32", always_2d=True)
        return np.asarray(sound, dtype=np.float32)


def open_bank(path: Path) -> Bank:
    """Return a bank, read whole; the last one stays in memory, until its file changes.

    Raises
    ------
    BankError
        If it is no SoundFont 2, or compressed, or there is nothing to play it with.
    """
    _player()
    try:
        status = path.stat()
    except OSError as fault:
        raise BankError(fault.strerror or "cannot be read", where=path) from None
    if not path.is_file():
        raise BankError("is no file", where=path)
    if status.st_size > MAX_BANK_BYTES:
        raise BankError(f"is larger than {MAX_BANK_BYTES // 10**9} GB", where=path)
    return _read(path.absolute(), status.st_size, status.st_mtime_ns)


@functools.lru_cache(maxsize=1)
def _read(path: Path, _size: int, _changed_ns: int) -> Bank:
    try:
        content = path.read_bytes()
    except OSError as fault:
        raise BankError(fault.strerror or "cannot be read", where=path) from None
    try:
        presets, are_compressed = _presets(content)
    except (ValueError, struct.error):
        raise BankError(
            "is no SoundFont 2 bank, or a damaged one", where=path, advice="give an .sf2 file"
        ) from None
    if are_compressed:
        raise BankError(
            "holds compressed samples (sf3), which the player cannot read",
            where=path,
            advice="give the bank as .sf2",
        )
    return Bank(path, hashlib.sha256(content).hexdigest(), presets, content)


def _presets(content: bytes) -> tuple[frozenset[tuple[int, int]], bool]:
    """Return the (bank, program) pairs of a bank, and whether its samples are compressed.

    Raises
    ------
    ValueError, struct.error
        If it is no bank.
    """
    if content[:4] != b"RIFF" or content[8:12] != b"sfbk":
        raise ValueError("no bank")
    lists = dict(_lists(content))
    chunks = dict(_chunks(content, *lists[b"pdta"])) if b"pdta" in lists else {}
    if b"phdr" not in chunks or b"shdr" not in chunks:
        raise ValueError("no presets")
    heads = _records(content, chunks[b"phdr"], PRESET_BYTES)
    samples = _records(content, chunks[b"shdr"], SAMPLE_BYTES)
    presets = [struct.unpack_from("<HH", head, 20) for head in heads]
    kinds = [struct.unpack_from("<H", sample, SAMPLE_KIND_AT)[0] for sample in samples]
    if not presets:
        raise ValueError("no presets")
    return (
        frozenset((bank, program) for program, bank in presets),
        any(kind & COMPRESSED for kind in kinds),
    )


def _records(content: bytes, span: tuple[int, int], size: int) -> list[bytes]:
    """Return the records of a chunk, without the last, which only ends the list."""
    start, stop = span
    return [content[at : at + size] for at in range(start, stop - 2 * size + 1, size)]


def _chunks(content: bytes, start: int, stop: int) -> list[tuple[bytes, tuple[int, int]]]:
    """Return the chunks of a span: name, and where the content begins and ends."""
    found = []
    while start + 8 <= stop:
        name, size = content[start : start + 4], struct.unpack_from("<I", content, start + 4)[0]
        if start + 8 + size > stop:
            raise ValueError("cut")
        found.append((name, (start + 8, start + 8 + size)))
        start += 8 + size + size % 2
    return found


def _lists(content: bytes) -> list[tuple[bytes, tuple[int, int]]]:
    """Return the lists of a bank by their kind."""
    return [
        (content[start : start + 4], (start + 4, stop))
        for name, (start, stop) in _chunks(content, 12, len(content))
        if name == b"LIST"
    ]


def _player() -> Any:
    try:
        return importlib.import_module("midirenderer")
    except ImportError:
        raise BankError(
            "a bank is played by a library that is not installed",
            advice="pip install 'retro[sounds]'",
        ) from None

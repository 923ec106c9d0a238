"""A bank of sampled instruments (SoundFont 2), and what it sounds like when it plays a MIDI file.

The player is `midirenderer`, of the extra ``retro[sounds]``: why that one stands in
``docs/sounds.md``. It gives 16 bits at 48 kHz, and takes note of events every 64 frames. It is
given the presets alone that it is asked for, which saves it most of a large bank, and lets it play
a compressed one (sf3).

Conventions
-----------
Banks and programs count from 0, as messages do. The drum kits of a bank stand in its bank 128.
Sound is (frames, 2), 16 bits.
"""

import functools
import io
import struct
import wave
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from retro.errors import BankError
from retro.files.hashes import file_sha256
from retro.render.wav import Sound32
from retro.sounds.kept import Kept
from retro.sounds.player import player
from retro.sounds.players import PLAYERS
from retro.sounds.soundfont import SoundFont

BANK_RATE = 48_000
"""Frames a second that the player gives."""

BLOCK_FRAMES = 64
"""Frames between two moments at which the player takes note of events."""

DRUM_BANK = 128
"""Where SoundFont 2 keeps drum kits."""

MAX_BANK_BYTES = 2_000_000_000
"""Largest bank (64-bit machines hold more; RIFF ends at 4)."""

MAX_KEPT_BYTES = 100_000_000
"""Presets that are kept as banks of their own."""

FULL_SCALE_16 = 2**15

Sound16 = npt.NDArray[np.int16]


@dataclass(frozen=True, slots=True, eq=False)
class Bank:
    """A bank that was looked into, the SHA-256 of its bytes, and the `presets` that it holds.

    These are pairs of bank and program.
    """

    path: Path
    sha256: str
    presets: frozenset[tuple[int, int]]
    _font: SoundFont = field(repr=False)
    _state: tuple[int, int] = field(repr=False)
    _kept: Kept[frozenset[tuple[int, int]], bytes] = field(
        repr=False, default_factory=lambda: Kept(len, MAX_KEPT_BYTES)
    )

    def play(self, midi: bytes, presets: Iterable[tuple[int, int]]) -> Sound16:
        """Return what a Standard MIDI File sounds like, shape (frames, 2), at `BANK_RATE`.

        Of the bank it has the `presets`, pairs of bank and program, alone.

        Raises
        ------
        BankError
            If the player cannot read the bank.
        """
        needed = frozenset(map(self._sounding, presets))
        try:
            wav = PLAYERS.play(self._kept.get(needed, lambda: self._only(needed)), midi)
        except BankError as fault:
            raise BankError(f"cannot be played: {fault.what}", where=self.path.name) from None
        with wave.open(io.BytesIO(wav)) as file:
            frames = file.readframes(file.getnframes())
        return np.frombuffer(frames, dtype="<i2").reshape(-1, 2)

    def _sounding(self, preset: tuple[int, int]) -> tuple[int, int]:
        """Return the preset that the player takes where one is missing.

        That is the same program of bank 0, or the first kit; else the first of all.
        """
        bank, program = preset
        instead = (DRUM_BANK, 0) if bank >= DRUM_BANK else (0, program)
        known = (each for each in (preset, instead) if each in self.presets)
        return next(known, min(self.presets))

    def _only(self, presets: frozenset[tuple[int, int]]) -> bytes:
        try:
            content = self._font.only(presets)
            if _state(self.path) != self._state:
                raise BankError("it was changed meanwhile")
            return content
        except OSError as fault:
            raise BankError(fault.strerror or "it cannot be read") from None
        except (ValueError, IndexError):
            raise BankError("it is damaged") from None


def open_bank(path: Path) -> Bank:
    """Return a bank; the last one is remembered, until its file changes.

    Raises
    ------
    BankError
        If it is no SoundFont 2, or there is nothing to play it with.
    """
    player()
    try:
        size, changed_ns = _state(path)
    except OSError as fault:
        raise BankError(fault.strerror or "cannot be read", where=path) from None
    if not path.is_file():
        raise BankError("is no file", where=path)
    if size > MAX_BANK_BYTES:
        raise BankError(f"is larger than {MAX_BANK_BYTES // 10**9} GB", where=path)
    return _read(path.absolute(), size, changed_ns)


def as_sound(sound: npt.NDArray[np.integer]) -> Sound32:
    """Return 16 bits, or a sum of such, as sound whose full scale is 1: exactly, up to 24 bits."""
    return sound.astype(np.float32) / np.float32(FULL_SCALE_16)


def _state(path: Path) -> tuple[int, int]:
    status = path.stat()
    return status.st_size, status.st_mtime_ns


@functools.lru_cache(maxsize=1)
def _read(path: Path, size: int, changed_ns: int) -> Bank:
    try:
        font = SoundFont.read(path)
        sha256 = file_sha256(path)
    except OSError as fault:
        raise BankError(fault.strerror or "cannot be read", where=path) from None
    except (ValueError, struct.error):
        raise BankError(
            "is no SoundFont 2 bank, or a damaged one",
            where=path,
            advice="give an .sf2 or .sf3 file",
        ) from None
    return Bank(path, sha256, font.presets, font, (size, changed_ns))

"""Damages files at the level of bytes, the way that broken writers and disks do."""

import random
from collections.abc import Callable

INTERESTING = (0x00, 0x01, 0x7F, 0x80, 0x90, 0xF0, 0xF7, 0xFE, 0xFF)
LENGTHS = (0, 1, 2, 0x7FFF, 0xFFFF, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFE, 0xFFFF_FFFF)
MAX_NAME = 65_536


def _place(data: bytearray, chance: random.Random) -> int:
    return chance.randrange(len(data)) if data else 0


def _flip_bit(data: bytearray, chance: random.Random) -> None:
    if data:
        data[_place(data, chance)] ^= 1 << chance.randrange(8)


def _set_byte(data: bytearray, chance: random.Random) -> None:
    if data:
        data[_place(data, chance)] = chance.choice((*INTERESTING, chance.randrange(256)))


def _set_length(data: bytearray, chance: random.Random) -> None:
    """Put an extreme number where a size may stand, in either byte order."""
    order = chance.choice(("big", "little"))
    number = chance.choice(LENGTHS)
    size = 8 if chance.random() < 0.2 else 4
    at = _place(data, chance) & ~1
    data[at : at + size] = number.to_bytes(size, order)


def _drop(data: bytearray, chance: random.Random) -> None:
    at = _place(data, chance)
    del data[at : at + chance.choice((1, 2, 4, 16, 256))]


def _cut(data: bytearray, chance: random.Random) -> None:
    del data[_place(data, chance) :]


def _repeat(data: bytearray, chance: random.Random) -> None:
    at = _place(data, chance)
    part = bytes(data[at : at + chance.choice((1, 4, 32, 256))])
    data[at:at] = part * chance.choice((1, 2, 16))


def _insert(data: bytearray, chance: random.Random) -> None:
    at = _place(data, chance)
    data[at:at] = chance.randbytes(chance.choice((1, 2, 8, 64)))


def _swap(data: bytearray, chance: random.Random) -> None:
    one, other = _place(data, chance), _place(data, chance)
    size = chance.choice((1, 4, 8, 64))
    first, second = bytes(data[one : one + size]), bytes(data[other : other + size])
    data[one : one + size], data[other : other + size] = second, first


DAMAGES: tuple[Callable[[bytearray, random.Random], None], ...] = (
    _flip_bit,
    _flip_bit,
    _set_byte,
    _set_byte,
    _set_length,
    _set_length,
    _drop,
    _cut,
    _repeat,
    _insert,
    _swap,
)


def damaged(data: bytes, chance: random.Random) -> bytes:
    """Return a file with one to eight damages; the same chance gives the same damages."""
    broken = bytearray(data)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 8))):
        chance.choice(DAMAGES)(broken, chance)
    return bytes(broken[:MAX_NAME])

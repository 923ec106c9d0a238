"""Objects of the model as JSON and back: their own fields are the format.

A fraction stands as the nearest double, and is read as the simplest fraction that is that double.
"""

import re
from fractions import Fraction
from typing import Any, TypeVar

import msgspec

from retro.errors import ReadError, RetroError
from retro.units import number_to_beats

T = TypeVar("T")

MAX_FRACTION = 1e9
"""Largest position, in quarter notes, seconds or samples of a frame, that a file may state."""

_MISSING = re.compile(r"Object missing required field `(?P<key>[^`]*)`(?: - at `\$(?P<path>.*)`)?")
_WRONG = re.compile(r"(?P<what>.*?)(?: - at `\$(?P<path>.*)`)?", re.DOTALL)
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


def encoded(value: object) -> bytes:
    """Return an object as the bytes of a JSON file."""
    return msgspec.json.format(msgspec.json.encode(value, enc_hook=_number), indent=1) + b"\n"


def plain(value: object) -> Any:
    """Return an object as dictionaries, lists, texts and numbers."""
    return msgspec.to_builtins(value, enc_hook=_number)


def decoded(
    data: bytes, kind: type[T], *, where: object, refusal: type[RetroError] = ReadError
) -> T:
    """Return the object that the bytes of a JSON file state; unknown keys are passed over.

    Raises
    ------
    RetroError
        Of the class `refusal`, in one line that names the key, and `where` as the file.
    """
    try:
        return msgspec.json.decode(
            data.removeprefix(_BYTE_ORDER_MARK), type=kind, dec_hook=_fraction
        )
    except msgspec.ValidationError as fault:
        raise refusal(_told(str(fault)), where=where) from fault
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as fault:
        raise refusal(f"not JSON: {fault}", where=where) from fault


def converted(
    value: object, kind: type[T], *, where: object, refusal: type[RetroError] = ReadError
) -> T:
    """Return the object that dictionaries, lists, texts and numbers state, such as those of TOML.

    Raises
    ------
    RetroError
        As for `decoded`.
    """
    try:
        return msgspec.convert(value, kind)
    except msgspec.ValidationError as fault:
        raise refusal(_told(str(fault)), where=where) from fault


def _number(value: object) -> float:
    if isinstance(value, Fraction):
        return float(value)
    raise NotImplementedError(f"{type(value).__name__} has no place in JSON")


def _fraction(kind: type, value: object) -> Fraction:
    if kind is not Fraction:
        raise NotImplementedError(f"{kind.__name__} has no place in JSON")
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("Expected a number")
    if not abs(value) <= MAX_FRACTION:
        raise ValueError(f"Expected a number between {-MAX_FRACTION:g} and {MAX_FRACTION:g}")
    simple = number_to_beats(value)
    return simple if float(simple) == value else Fraction(value)


def _told(fault: str) -> str:
    """Return a fault as ``notes[3].pitch: ...``."""
    if missing := _MISSING.fullmatch(fault):
        return f"{_key(missing['path'], missing['key'])} is missing"
    wrong = _WRONG.fullmatch(fault)
    return f"{_key(wrong['path'])}: {wrong['what']}" if wrong else fault


def _key(path: str | None, key: str = "") -> str:
    return ".".join(filter(None, ((path or "").removeprefix("."), key))) or "the file"

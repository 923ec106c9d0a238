"""Objects of the model as JSON and back: their own fields are the format.

A fraction stands as the nearest double, and is read as the simplest fraction that is that double.
"""

import re
from collections.abc import Mapping
from fractions import Fraction
from types import MappingProxyType
from typing import Any, TypeVar

import msgspec

from retro.errors import ReadError, RetroError
from retro.units import number_to_beats

T = TypeVar("T")

MAX_FRACTION = 1e9
"""Largest position, in quarter notes, seconds or samples of a frame, that a file may state."""

_MISSING = re.compile(r"Object missing required field `(?P<key>[^`]*)`(?: - at `\$(?P<path>.*)`)?")
_WRONG = re.compile(r"(?P<what>.*?)(?: - at `\$(?P<path>.*)`)?", re.DOTALL)
_KINDS = re.compile(r"`(?P<kinds>(?:int|float|str|bool|array|object|null)(?: \| [a-z]+)*)`")
_PATTERN = re.compile(r"Expected `str` matching regex '(?P<pattern>.*)'", re.DOTALL)
_UNKNOWN = re.compile(r"Object contains unknown field (?P<key>`[^`]*`)")
_NONE_OF = re.compile(r"Invalid enum value (?P<value>.*)", re.DOTALL)
_BYTE = re.compile(r" \(byte (?P<at>[0-9]+)\)")
_IN_WORDS = {
    "int": "a whole number",
    "float": "a number",
    "str": "a text",
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
    "null": "nothing",
}
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
        raise refusal(_not_json(str(fault), data), where=where) from fault


def converted(
    value: object,
    kind: type[T],
    *,
    where: object,
    refusal: type[RetroError] = ReadError,
    forms: Mapping[str, str] | None = None,
) -> T:
    """Return the object that dictionaries, lists, texts and numbers state, such as those of TOML.

    `forms` says in words what the patterns of its texts ask for.

    Raises
    ------
    RetroError
        As for `decoded`.
    """
    try:
        return msgspec.convert(value, kind)
    except msgspec.ValidationError as fault:
        raise refusal(_told(str(fault), forms or {}), where=where) from fault


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


def _not_json(fault: str, data: bytes) -> str:
    """Return a fault with its line."""
    found = _BYTE.search(fault)
    if found is None:
        return f"not JSON: {fault}"
    line = data[: int(found["at"])].count(b"\n") + 1
    return f"not JSON: line {line}: {_BYTE.sub('', fault)}"


def _told(fault: str, forms: Mapping[str, str] = MappingProxyType({})) -> str:
    """Return a fault as ``notes[3].pitch: ...``."""
    if missing := _MISSING.fullmatch(fault):
        return f"{_key(missing['path'], missing['key'])} is missing"
    wrong = _WRONG.fullmatch(fault)
    return f"{_key(wrong['path'])}: {_in_words(wrong['what'], forms)}" if wrong else fault


def _in_words(what: str, forms: Mapping[str, str]) -> str:
    if form := _PATTERN.fullmatch(what):
        return f"wanted {forms.get(form['pattern'], 'a text of another form')}"
    if unknown := _UNKNOWN.fullmatch(what):
        return f"there is no key {unknown['key']}"
    if none := _NONE_OF.fullmatch(what):
        return f"{none['value']} may not stand there"
    words = _KINDS.sub(_kinds_in_words, what)
    return words.replace("Expected ", "wanted ").replace(", got ", ", found ")


def _kinds_in_words(found: re.Match[str]) -> str:
    return " or ".join(_IN_WORDS.get(kind, kind) for kind in found["kinds"].split(" | "))


def _key(path: str | None, key: str = "") -> str:
    return ".".join(filter(None, ((path or "").removeprefix("."), key))) or "the file"

"""Numbers as scores state them: plain decimals of a sane length; anything else is no number."""

import re
from fractions import Fraction

DECIMAL = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)")
WHOLE = re.compile(r"[+-]?[0-9]{1,6}")

MAX_STAVES = 16
"""Most staves of one part."""

MAX_CHARACTERS = 40
"""Python's own numbers refuse thousands of digits, and no score needs them."""


def decimal_of(text: str | None) -> Fraction | None:
    """Return a decimal number, None for anything else, among it what means infinity."""
    short = (text or "").strip()
    is_plain = len(short) <= MAX_CHARACTERS and DECIMAL.fullmatch(short)
    return Fraction(short) if is_plain else None


def whole_of(text: str | None) -> int | None:
    """Return a whole number of at most six digits, None for anything else."""
    short = (text or "").strip()
    return int(short) if WHOLE.fullmatch(short) else None


def staff_of(text: str | None) -> int:
    """Return the number of a stave, or how many there are: 1 where none is told."""
    number = whole_of(text)
    return 1 if number is None else min(max(number, 1), MAX_STAVES)


def counted_of(text: str | None, most: int) -> int | None:
    """Return a whole number from 1 to `most`, None for anything else."""
    number = whole_of(text)
    return number if number is not None and 1 <= number <= most else None

"""Numbers as people and programs write them, of a sane length; anything else is no number.

Python would read more: ``1e999999999`` takes it hours, and thousands of digits it refuses.
"""

import re
from fractions import Fraction

DECIMAL = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)")
RATIO = re.compile(r"[+-]?[0-9]+/0*[1-9][0-9]*")
WHOLE = re.compile(r"[+-]?[0-9]{1,6}")

MAX_CHARACTERS = 40


def decimal_of(text: str | None) -> Fraction | None:
    """Return a decimal number, None for anything else, among it what means infinity."""
    return _matching(DECIMAL, text)


def fraction_of(text: str) -> Fraction | None:
    """Return a decimal number or a fraction such as ``7/2``, None for anything else."""
    number = decimal_of(text)
    return number if number is not None else _matching(RATIO, text)


def _matching(pattern: re.Pattern[str], text: str | None) -> Fraction | None:
    short = (text or "").strip()
    fits = len(short) <= MAX_CHARACTERS and pattern.fullmatch(short)
    return Fraction(short) if fits else None


def whole_of(text: str | None) -> int | None:
    """Return a whole number of at most six digits, None for anything else."""
    short = (text or "").strip()
    return int(short) if WHOLE.fullmatch(short) else None


def counted_of(text: str | None, most: int) -> int | None:
    """Return a whole number from 1 to `most`, None for anything else."""
    number = whole_of(text)
    return number if number is not None and 1 <= number <= most else None

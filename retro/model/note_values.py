"""Note values: what one note head writes, by the names of MusicXML."""

from fractions import Fraction

_NAMES = ("long", "breve", "whole", "half", "quarter", "eighth", "16th", "32nd", "64th",
          "128th", "256th", "512th", "1024th")  # fmt: skip

LENGTHS = {name: Fraction(16, 2**halvings) for halvings, name in enumerate(_NAMES)}
"""Lengths of note values in quarter notes, by name."""

VALUES = {length: name for name, length in LENGTHS.items()}
"""Names of note values, by length."""


def value_of(length_beats: Fraction) -> tuple[Fraction, int] | None:
    """Return (value, dots) of a length that one note head can write, else None.

    A double dot is never used (common practice in parts that are sight-read).
    """
    if length_beats in VALUES:
        return length_beats, 0
    undotted = length_beats * 2 / 3
    return (undotted, 1) if undotted in VALUES else None

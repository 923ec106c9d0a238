"""File names out of players' names: plain Latin, safe on every system, told apart."""

import re
from collections.abc import Sequence

from anyascii import anyascii

from retro.takes.naming import DEVICES

MAX_NAME = 48
"""Characters of a name that a file name keeps."""


def part_file_names(names: Sequence[str]) -> list[str]:
    """Return one file name (without suffix) per player: ``01-horn-in-f-1``.

    The number keeps score order and tells equal names apart.
    """
    width = max(2, len(str(len(names))))
    return [f"{number:0{width}}-{_safe(name)}" for number, name in enumerate(names, start=1)]


def played_midi_name(number: int) -> str:
    """Return the name of a file of the exact performance, counted from 1."""
    return "played.mid" if number == 1 else f"played-{number}.mid"


def _safe(name: str) -> str:
    plain = anyascii(name.replace("♭", "-flat").replace("♯", "-sharp")).lower()
    words = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:MAX_NAME].strip("-")
    return "part" if not words or words in DEVICES else words

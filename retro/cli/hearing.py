"""Tells how far a bank of sounds was listened to, which takes seconds once for every bank."""

import sys
from collections.abc import Callable

from retro.cli.tables import tell

WORDS = "listening to the bank of sounds"


def hearing_told(*, quiet: bool) -> Callable[[int, int], None] | None:
    """Return what tells it: one line, which counts on a terminal; None where nothing is said."""
    if quiet:
        return None
    return _count if sys.stderr.isatty() else _begin


def _begin(done: int, _: int) -> None:
    if not done:
        tell(WORDS)


def _count(done: int, tones: int) -> None:
    # What is said next, a refusal too, is written over a line that has not ended.
    end = "\n" if done == tones else "\r"
    sys.stderr.write(f"{WORDS}: {done} of {tones} tones{end}")
    sys.stderr.flush()

"""When the heads of a document of ours begin and end: what a screen lights up as the music goes on.

Conventions
-----------
Times are quarter notes from the first bar, which may be a count-in's.
"""

from collections import defaultdict
from collections.abc import Iterator
from fractions import Fraction

from lxml import etree

from retro.musicxml.elements import DIVISIONS

Moment = tuple[Fraction, tuple[str, ...], tuple[str, ...]]
"""A time, the names of the heads that begin then, and of those that end."""


def moments(musicxml: bytes) -> tuple[Moment, ...]:
    """Return the moments of a document that `retro.musicxml.document` wrote, in order.

    Heads that are tied to each other are heads of their own.
    """
    begin: dict[int, list[str]] = defaultdict(list)
    end: dict[int, list[str]] = defaultdict(list)
    for part in etree.fromstring(musicxml).iterchildren("part"):
        at = 0
        for measure in part.iterchildren("measure"):
            length = 0
            for start, stop, name in _spans(measure):
                length = max(length, stop)
                if name:
                    begin[at + start].append(name)
                    end[at + stop].append(name)
            at += length
    return tuple(
        (Fraction(time, DIVISIONS), tuple(begin[time]), tuple(end[time]))
        for time in sorted({*begin, *end})
    )


def _spans(measure: etree._Element) -> Iterator[tuple[int, int, str]]:
    """Yield (start, end, name) of every head and rest of a bar, in `DIVISIONS` from its start."""
    start = at = 0
    for child in measure.iterchildren("note", "backup", "forward"):
        length = int(child.findtext("duration", "0"))
        if child.tag == "backup":
            at -= length
            continue
        if child.find("chord") is None:
            start, at = at, at + length
        yield start, start + length, child.get("id", "")

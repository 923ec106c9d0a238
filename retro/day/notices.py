"""The notices of one song: the score's, then every player's, those of one reader together.

A notice of a few bars leaves most of its page empty, so two short ones share a page.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path

from retro.day.folders import Leaf, PageCounts
from retro.day.inserts import DayInsert

MAX_SHORT_SYSTEMS = 2
"""Systems that stand, with the title, in the upper half of every paper."""

SCORE = "notice"


def notice_leaves(inserts: Sequence[DayInsert], counts: PageCounts) -> tuple[Leaf, ...]:
    """Return the leaves of the notices of a song, whose inserts are in its order."""
    readers = dict.fromkeys(_reader(path) for insert in inserts for path in insert.notices)
    ordered = sorted(readers, key=lambda reader: reader != SCORE)
    return tuple(leaf for reader in ordered for leaf in _of(reader, inserts, counts))


def _reader(path: Path) -> str:
    """Return whose notice it is: a player's file has a number, which wanders between packs."""
    return SCORE if path.stem == SCORE else path.stem.partition("-")[2]


def _of(reader: str, inserts: Sequence[DayInsert], counts: PageCounts) -> Iterator[Leaf]:
    own = [
        (path, f"Insert {insert.letter}, {insert.bars}")
        for insert in inserts
        for path in insert.notices
        if _reader(path) == reader
    ]
    at = 0
    while at < len(own):
        pair = own[at : at + 2]
        if len(pair) == 2 and all(_is_short(path, counts) for path, _ in pair):
            (upper, first), (lower, second) = pair
            yield Leaf(pdf=upper, below=lower, foot=f"{first}; {second}")
            at += 2
        else:
            yield Leaf(pdf=own[at][0], foot=own[at][1])
            at += 1


def _is_short(pdf: Path, counts: PageCounts) -> bool:
    music = pdf.with_suffix(".musicxml")
    if counts.of(pdf) != 1 or not music.is_file():
        return False
    return music.read_bytes().count(b'new-system="yes"') < MAX_SHORT_SYSTEMS

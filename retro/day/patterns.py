"""The tick pattern that tells by its bleed which insert a take is of.

A few ticks stand before the count-in, on a grid of slots. Between any two of them lies a distance
that no other two have (a Golomb ruler): laid over itself at any other place, a pattern meets itself
in one tick at most. Patterns of one day meet each other in few ticks at any place. What is drawn
comes from the plan's hash and the letter, so that an insert that was built anew has another
pattern, and a click of yesterday is told from that of today.
"""

import hashlib
from collections.abc import Iterator, Sequence
from itertools import combinations

from retro.errors import LimitError

TICKS = 9
SLOT_S = 0.02
LAST_SLOT = 100
"""A pattern lasts at most 2 s from its first tick to its last."""

MIN_SLOTS_APART = 3
"""60 ms, so that ticks are told apart in a room."""

MAX_MEETINGS = 3
"""Most ticks in which two patterns of one day meet, at any place."""

MAX_DRAWS = 1000


def tick_patterns(inserts: Sequence[tuple[str, str]]) -> tuple[tuple[int, ...], ...]:
    """Return the pattern of every insert of a day, in slots from its first tick.

    Inserts are (letter, plan hash), in the day's order: an earlier one never changes with a later.

    Raises
    ------
    LimitError
        If so many inserts cannot be told apart.
    """
    found: list[tuple[int, ...]] = []
    for letter, plan_sha256 in inserts:
        for draw in range(MAX_DRAWS):
            pattern = _ruler(f"{letter}:{plan_sha256}:{draw}")
            if all(meetings(pattern, other) <= MAX_MEETINGS for other in found):
                found.append(pattern)
                break
        else:
            raise LimitError(f"no tick pattern is left for Insert {letter}", advice="make two days")
    return tuple(found)


def meetings(first: Sequence[int], second: Sequence[int]) -> int:
    """Return in how many ticks two patterns meet, at the place where these are the most."""
    shifts = [one - other for one in first for other in second]
    return max(shifts.count(shift) for shift in set(shifts))


def _ruler(seed: str) -> tuple[int, ...]:
    """Draw marks one after the other, each so that all distances stay different."""
    chance = _numbers(seed)
    while True:
        marks = [0]
        left = list(range(MIN_SLOTS_APART, LAST_SLOT + 1))
        while left and len(marks) < TICKS:
            mark = left.pop(next(chance) % len(left))
            if _is_free(mark, marks):
                marks.append(mark)
        if len(marks) == TICKS:
            return tuple(sorted(marks))


def _is_free(mark: int, marks: Sequence[int]) -> bool:
    new = [abs(mark - other) for other in marks]
    old = {abs(one - other) for one, other in combinations(marks, 2)}
    return min(new) >= MIN_SLOTS_APART and len(set(new)) == len(new) and old.isdisjoint(new)


def _numbers(seed: str) -> Iterator[int]:
    """Yield the same numbers for the same seed, on every machine."""
    count = 0
    while True:
        digest = hashlib.sha256(f"{seed}:{count}".encode()).digest()
        yield from (int.from_bytes(digest[at : at + 4], "big") for at in range(0, 32, 4))
        count += 1

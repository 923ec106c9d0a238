"""A proposed order of the day's inserts, with everything that it assumes said.

Points count what an order costs: changes of instrument, brass players who blow in neighbouring
inserts, people who wait, and songs that are come back to. Which points what is worth is our own
choice, and stands beside the proposal; people decide.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise, permutations

from retro.day.inserts import DayInsert
from retro.day.people import Person, turns

CHANGE_POINTS = 1.0
BRASS_S_A_POINT = 10.0
WAIT_POINTS = 0.5
RETURN_POINTS = 3.0
MAX_TRIED_ALL = 7
"""Inserts of which every order is tried."""

ASSUMPTIONS = (
    f"a change of instrument from one insert to the next costs {CHANGE_POINTS:g} point",
    f"{BRASS_S_A_POINT:g} s that a brass player blows in both of two neighbours cost 1 point",
    f"somebody who waits through an insert between two others costs {WAIT_POINTS:g} points",
    f"coming back to a song costs {RETURN_POINTS:g} points",
    "every insert is recorded as often as every other, and all people are there all day",
    "loudness, register, fatigue from the songs themselves, and labour rules are not reckoned with",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What an order costs, in the four kinds and in points."""

    changes: int
    brass_s: float
    waits: int
    returns: int

    @property
    def points(self) -> float:
        """All kinds together."""
        return (
            self.changes * CHANGE_POINTS
            + self.brass_s / BRASS_S_A_POINT
            + self.waits * WAIT_POINTS
            + self.returns * RETURN_POINTS
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """An order of the inserts by their indexes, beside the given one, and the cost of both.

    It `is_best` where every order was tried.
    """

    order: tuple[int, ...]
    cost: Cost
    given_cost: Cost
    is_best: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Duty:
    """What somebody holds at the beginning and the end of an insert, and blows on brass in it."""

    first: str
    last: str
    brass_s: float


_Duties = tuple[tuple[_Duty | None, ...], ...]


def propose(people: Sequence[Person], inserts: Sequence[DayInsert]) -> Proposal:
    """Return the order that costs least, the given one where none costs less."""
    duties = tuple(tuple(_duties(person, inserts)) for person in people)
    songs = tuple(insert.song for insert in inserts)
    given = tuple(range(len(inserts)))
    is_best = len(given) <= MAX_TRIED_ALL
    if is_best:
        best = min(permutations(given), key=lambda order: (_points(order, duties, songs), order))
    else:
        best = _improved(given, duties, songs)
    return Proposal(
        order=best,
        cost=_cost(best, duties, songs),
        given_cost=_cost(given, duties, songs),
        is_best=is_best,
    )


def _duties(person: Person, inserts: Sequence[DayInsert]) -> Iterator[_Duty | None]:
    for turn in turns(person, inserts, change_s=0.0):
        playing = [part for part in turn.parts if part.instrument is not None]
        if not playing:
            yield None
            continue
        by_end = max(playing, key=lambda part: part.sounding[-1].end_s)
        instruments = [part.instrument.name for part in (playing[0], by_end) if part.instrument]
        yield _Duty(
            first=instruments[0],
            last=instruments[-1],
            brass_s=sum(part.blown_s for part in playing if part.is_brass),
        )


def _points(order: Sequence[int], duties: _Duties, songs: Sequence[str]) -> float:
    return round(_cost(order, duties, songs).points, 6)


def _cost(order: Sequence[int], duties: _Duties, songs: Sequence[str]) -> Cost:
    changes = waits = 0
    brass_s = 0.0
    for own in duties:
        row = [own[index] for index in order]
        busy = [duty for duty in row if duty is not None]
        changes += sum(before.last != after.first for before, after in pairwise(busy))
        playing = [at for at, duty in enumerate(row) if duty is not None]
        if playing:
            waits += playing[-1] - playing[0] + 1 - len(playing)
        for before, after in pairwise(row):
            if before is not None and after is not None:
                brass_s += min(before.brass_s, after.brass_s)
    sung = [songs[index] for index in order]
    blocks = 1 + sum(before != after for before, after in pairwise(sung))
    return Cost(changes=changes, brass_s=brass_s, waits=waits, returns=blocks - len(set(sung)))


def _improved(order: tuple[int, ...], duties: _Duties, songs: Sequence[str]) -> tuple[int, ...]:
    """Move one insert after another to where the order costs least, until nothing is gained."""
    cost = _points(order, duties, songs)
    while True:
        best = min(_moved(order), key=lambda each: (_points(each, duties, songs), each))
        best_cost = _points(best, duties, songs)
        if best_cost >= cost:
            return order
        order, cost = best, best_cost


def _moved(order: tuple[int, ...]) -> Iterator[tuple[int, ...]]:
    for index in order:
        rest = [other for other in order if other != index]
        for at in range(len(order)):
            yield (*rest[:at], index, *rest[at:])

"""Who plays what on the day: every part that has notes reaches exactly one person's folder.

A person is a chair that doubles, or a section that reads one part. Parts that day.toml gives to
nobody become people of their own, so that none is lost. Pages that only say "tacet" stand for
players by groups, and a folder says on its first page what is tacet: they are left out.
"""

import difflib
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

from retro.day.day_file import DayFile
from retro.day.inserts import DayInsert, DayPart
from retro.errors import SettingsError
from retro.model.time import locate


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """A chair or a section, and its folder, whose `number` is the same all day.

    In it lie the parts of those names; from it read so many `desks`, which are stands.
    """

    number: int
    name: str
    parts: tuple[str, ...]
    desks: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """What one person does in one insert.

    Parameters
    ----------
    insert
        Which.
    parts
        What is played, in order; nothing where the person is tacet.
    changes
        Instruments to take up for it, and those within it, in words.
    blown_s
        Seconds blown.
    """

    insert: DayInsert
    parts: tuple[DayPart, ...]
    changes: tuple[str, ...]
    blown_s: float

    @property
    def is_tacet(self) -> bool:
        """Whether the person plays nothing."""
        return not self.parts


def part_numbers(inserts: Sequence[DayInsert]) -> dict[str, int]:
    """Return a number for every part with notes, the same all day, in score order.

    Parts for one instrument stand by their names, numbers in them counted and not spelled.
    """
    orders: dict[str, int] = {}
    for insert in inserts:
        for part in insert.parts:
            if part.instrument is not None:
                orders.setdefault(part.name, part.instrument.score_order)
    names = sorted(orders, key=lambda name: (orders[name], _counted(name)))
    return {name: number for number, name in enumerate(names, start=1)}


def _counted(name: str) -> list[tuple[int, str]]:
    """Return a key by which Horn 2 comes before Horn 10."""
    pieces = re.split(r"([0-9]+)", name)
    return [(int(piece), "") if piece.isdecimal() else (0, piece) for piece in pieces]


def people_of(day: DayFile, inserts: Sequence[DayInsert]) -> tuple[Person, ...]:
    """Return the people of a day in score order.

    Raises
    ------
    SettingsError
        If a person's part is in no pack, or a person would play two parts at once.
    """
    numbers = part_numbers(inserts)
    printed = {name.casefold(): name for name in numbers}
    wanted: list[tuple[str, tuple[str, ...], int]] = []
    for entry in day.person:
        names = tuple(_printed(name, printed, entry.name) for name in entry.parts)
        wanted.append((entry.name, names, entry.desks))
    given = {name for _, names, _ in wanted for name in names}
    taken = {name.casefold() for name, _, _ in wanted}
    for name in numbers:
        if name in given:
            continue
        if name.casefold() in taken:
            raise SettingsError(
                f"person.name: {name!r} is also a part that nobody is given",
                advice=f"add {name!r} to the parts of that person",
            )
        wanted.append((name, (name,), 1))
    wanted.sort(key=lambda each: min(numbers[name] for name in each[1]))
    people = tuple(
        Person(number=number, name=name, parts=parts, desks=desks)
        for number, (name, parts, desks) in enumerate(wanted, start=1)
    )
    for person in people:
        _refuse_two_at_once(person, inserts)
    return people


def turns(person: Person, inserts: Sequence[DayInsert], *, change_s: float) -> tuple[Turn, ...]:
    """Return what a person does in each insert, in their order.

    Parameters
    ----------
    change_s
        A change of instrument within an insert in less time is told with a warning.
    """
    held: str | None = None
    found = []
    for insert in inserts:
        playing = sorted(_own(person, insert), key=lambda part: part.sounding[0].start_s)
        changes: list[str] = []
        if playing:
            if held is not None and _taken(playing[0]) != held:
                changes.append(f"take up {_taken(playing[0])}")
            within, held = _changes_within(playing, insert, change_s)
            changes += within
        found.append(
            Turn(
                insert=insert,
                parts=tuple(playing),
                changes=tuple(changes),
                blown_s=sum(part.blown_s for part in playing),
            )
        )
    return tuple(found)


def _taken(part: DayPart) -> str:
    return part.instrument.name if part.instrument else part.name


def _changes_within(
    playing: Sequence[DayPart], insert: DayInsert, change_s: float
) -> tuple[list[str], str]:
    """Return the changes of instrument within an insert in words, and what is held at its end."""
    notes = sorted(
        (note.start_s, note.end_s, _taken(part)) for part in playing for note in part.sounding
    )
    changes = []
    for (_, until_s, before), (from_s, _, after) in pairwise(notes):
        if before == after:
            continue
        free_s = from_s - until_s
        place = locate(insert.plan.insert_bars, insert.plan.insert_tempo.beats_at(from_s))
        quick = f", less than {change_s:g} s" if free_s < change_s else ""
        changes.append(
            f"{after} from bar {insert.letter}{place.bar} on: {free_s:.1f} s to change{quick}"
        )
    return changes, notes[-1][2]


def _own(person: Person, insert: DayInsert) -> tuple[DayPart, ...]:
    return tuple(part for part in insert.parts if part.sounding and part.name in person.parts)


def _printed(name: str, printed: dict[str, str], person: str) -> str:
    found = printed.get(name.casefold())
    if found is not None:
        return found
    near = difflib.get_close_matches(name.casefold(), printed, n=1, cutoff=0.5)
    raise SettingsError(
        f"person.parts: no pack has notes for {name!r}, which {person!r} is given",
        advice=f"did you mean {printed[near[0]]!r}?" if near else "see copyist/parts of the packs",
    )


def _refuse_two_at_once(person: Person, inserts: Sequence[DayInsert]) -> None:
    for insert in inserts:
        for first, second in combinations(_own(person, insert), 2):
            for at_s in _together(first, second):
                place = locate(insert.plan.insert_bars, insert.plan.insert_tempo.beats_at(at_s))
                raise SettingsError(
                    f"person {person.name!r} would play {first.name} and {second.name} at once in "
                    f"bar {insert.letter}{place.bar}",
                    advice="give one of the two to another person",
                )


def _together(first: DayPart, second: DayPart) -> Iterator[float]:
    """Yield from when on two parts both sound."""
    for one in first.sounding:
        for other in second.sounding:
            start_s = max(one.start_s, other.start_s)
            if start_s < min(one.end_s, other.end_s):
                yield start_s

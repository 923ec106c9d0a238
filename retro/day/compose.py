"""Puts a day together: its inserts, its people, what each does, and the proposed order."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from retro.day.day_file import DayFile, read_day_file
from retro.day.inserts import DayInsert, read_inserts
from retro.day.order import Proposal, propose
from retro.day.patterns import tick_patterns
from retro.day.people import Person, Turn, part_numbers, people_of, turns
from retro.day.timetable import Due, timetable


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """A recording day.

    Parameters
    ----------
    path, file
        day.toml, and what it says.
    inserts
        In the order of the day.
    numbers
        Of every part, the same all day.
    people, turns
        In score order, and what each does in every insert.
    patterns
        The tick pattern of each insert, in slots.
    due
        When each insert is due.
    proposal
        An order that may cost less.
    """

    path: Path
    file: DayFile
    inserts: tuple[DayInsert, ...]
    numbers: dict[str, int]
    people: tuple[Person, ...]
    turns: tuple[tuple[Turn, ...], ...]
    patterns: tuple[tuple[int, ...], ...]
    due: tuple[Due, ...]
    proposal: Proposal

    def songs(self) -> Iterator[tuple[str, tuple[DayInsert, ...]]]:
        """Yield every song with its inserts, in the order in which they come in the song."""
        titles = dict.fromkeys(insert.song for insert in self.inserts)
        for title in titles:
            own = [insert for insert in self.inserts if insert.song == title]
            own.sort(key=lambda insert: (insert.plan.start_s, insert.letter))
            yield title, tuple(own)

    def brass_runs(self) -> Iterator[tuple[str, str, float]]:
        """Yield who blows brass in inserts that follow each other: name, letters, seconds."""
        for person, own in zip(self.people, self.turns, strict=True):
            for is_run, run in groupby(own, key=_blows_brass):
                together = list(run)
                if is_run and len(together) > 1:
                    letters = ", ".join(turn.insert.letter for turn in together)
                    yield person.name, letters, sum(turn.blown_s for turn in together)


def _blows_brass(turn: Turn) -> bool:
    return any(part.is_brass for part in turn.parts)


def compose_day(path: Path) -> Day:
    """Read a day.toml and its packs.

    Raises
    ------
    RetroError
        If the file, a pack, or what the two say together is wrong.
    """
    file = read_day_file(path)
    inserts = read_inserts(file, path.absolute().parent)
    people = people_of(file, inserts)
    return Day(
        path=path,
        file=file,
        inserts=inserts,
        numbers=part_numbers(inserts),
        people=people,
        turns=tuple(turns(person, inserts, change_s=file.change_s) for person in people),
        patterns=tick_patterns([(insert.letter, insert.plan_sha256) for insert in inserts]),
        due=timetable(file, [insert.minutes for insert in inserts]),
        proposal=propose(people, inserts),
    )

"""Reads day.toml: the packs of a recording day in their order, and who and what is there.

Only the packs are needed. Whatever is wrong is said in one line that names the key.
"""

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Annotated

from msgspec import Meta, Struct

from retro.errors import SettingsError
from retro.model.encoding import converted
from retro.read.toml_file import read_toml

MAX_PACKS = 40
MAX_PEOPLE = 400

Words = Annotated[str, Meta(min_length=1, max_length=200)]
CLOCK = "^([01][0-9]|2[0-3]):[0-5][0-9]$"
Clock = Annotated[str, Meta(pattern=CLOCK)]
Minutes = Annotated[float, Meta(gt=0, le=720)]


class PackEntry(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``[[pack]]``: one insert of the day.

    Parameters
    ----------
    folder
        Of the pack, from the folder of day.toml.
    minutes
        What the insert is given; None takes the day's `minutes_each`.
    """

    folder: Words
    minutes: Minutes | None = None


class PersonEntry(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``[[person]]``: a chair, or a section that reads one part.

    Parameters
    ----------
    name
        What stands on the folder.
    parts
        Printed names of the parts that this person plays, in all packs: an instrument and what is
        doubled.
    desks
        Stands that read from this folder: so often it is printed.
    """

    name: Words
    parts: Annotated[tuple[Words, ...], Meta(min_length=1, max_length=50)]
    desks: Annotated[int, Meta(ge=1, le=50)] = 1


class MicrophoneEntry(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``[[microphone]]``.

    Parameters
    ----------
    name
        As its files are called.
    section
        Whom it is close to; None for one that hears all.
    distance_m
        From there to the microphone, in metres.
    click_m
        From the headphones that bleed into it, in metres: what their sound takes is taken off
        where the click is heard through this microphone.
    """

    name: Words
    section: Words | None = None
    distance_m: Annotated[float, Meta(ge=0, le=200)] | None = None
    click_m: Annotated[float, Meta(ge=0, le=200)] | None = None


class BreakEntry(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``[[break]]``: when, and for how many minutes."""

    at: Clock
    minutes: Minutes


class DayFile(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What day.toml says.

    Parameters
    ----------
    title, date
        As printed.
    start
        Time of the first insert.
    minutes_each
        What an insert is given where its pack does not say.
    change_s
        Least time for a change of instrument within an insert, in seconds.
    pack, person, microphone, breaks
        See there; the packs in their order.
    """

    title: Words = "Recording day"
    date: Words | None = None
    start: Clock | None = None
    minutes_each: Minutes = 20.0
    change_s: Annotated[float, Meta(ge=0, le=60)] = 4.0
    pack: Annotated[tuple[PackEntry, ...], Meta(min_length=1, max_length=MAX_PACKS)]
    person: Annotated[tuple[PersonEntry, ...], Meta(max_length=MAX_PEOPLE)] = ()
    microphone: Annotated[tuple[MicrophoneEntry, ...], Meta(max_length=400)] = ()
    breaks: Annotated[tuple[BreakEntry, ...], Meta(max_length=50)] = ()


def read_day_file(path: Path) -> DayFile:
    """Read a day.toml.

    Raises
    ------
    SettingsError
        If it cannot be read, or in one line that names the key.
    """
    day = converted(
        read_toml(path, "day.toml"),
        DayFile,
        where=path,
        refusal=SettingsError,
        forms={CLOCK: "a time such as 09:30"},
    )
    for problem in _contradictions(day):
        raise SettingsError(problem, where=path)
    return day


def _contradictions(day: DayFile) -> Iterator[str]:
    """Say what single keys cannot know of one another."""
    for name in _twice(entry.folder for entry in day.pack):
        yield f"pack.folder: {name!r} is there twice"
    for name in _twice(entry.name for entry in day.person):
        yield f"person.name: {name!r} is there twice"
    for name in _twice(part for entry in day.person for part in entry.parts):
        yield f"person.parts: {name!r} is given to two people; a part lies in one folder"
    for name in _twice(entry.name for entry in day.microphone):
        yield f"microphone.name: {name!r} is there twice"
    if day.breaks and day.start is None:
        yield "breaks: mean nothing without start, the time of the first insert"


def _twice(names: Iterable[str]) -> Iterator[str]:
    seen: set[str] = set()
    for name in names:
        if name.casefold() in seen:
            yield name
        seen.add(name.casefold())

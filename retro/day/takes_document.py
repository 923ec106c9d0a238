"""takes.json and choice.json, key by key: which takes there are, and what is made of them.

Paths are from the folder of the file that names them. A frame of a take is a frame of its first
file, as for `retro flip`; insert frames count from the insert's bar 1 beat 1.
"""

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Final, Literal

from msgspec import Meta

from retro.day.documents import Letter
from retro.errors import LimitError, ReadError, TakeError
from retro.model.bounded import Count, NotNegative, Number, Sha256
from retro.model.encoding import decoded
from retro.version import VERSION

TAKES_SCHEMA: Final = "retro-takes/1"
CHOICE_SCHEMA: Final = "retro-choice/2"
MAX_BYTES = 64_000_000

BY_TICKS: Final = "the ticks"
"""How `found_by` begins where the click itself told a place."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MicrophoneFile:
    """The file of one microphone.

    Parameters
    ----------
    microphone
        Its name, the same in all takes.
    path
        Of the file; several takes may lie in it.
    """

    microphone: str
    path: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeDocument:
    """One take of one insert.

    Parameters
    ----------
    letter, number
        Of the insert, and of the take within it.
    files
        One a microphone.
    phrase_start_frame
        Frame of the take at the insert's bar 1 beat 1.
    end_frame
        First frame that is no longer of this take; null where the files end with it.
    starts_together
        Whether all files begin at one moment, whatever their time-stamps say.
    plan_sha256
        Of the plan that was played; null where nobody said.
    found_by
        How its place was found.
    within_frames
        How sure that place is; null where nobody measured it.
    lateness_ms
        How much later than written the players are heard; null where nobody measured it.
    remarks
        What was heard in it: a cough, a wrong note.
    """

    letter: Letter
    number: Annotated[int, Meta(ge=1, le=9999)]
    files: Annotated[tuple[MicrophoneFile, ...], Meta(min_length=1, max_length=1000)]
    phrase_start_frame: Count
    end_frame: Count | None = None
    starts_together: bool = False
    plan_sha256: Sha256 | None = None
    found_by: str = "a person"
    within_frames: NotNegative | None = None
    lateness_ms: Number | None = None
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class TakesDocument:
    """All takes of a day: takes.json, found by the program or written by a person.

    Parameters
    ----------
    schema
        Version of this format.
    takes
        In any order.
    """

    schema: Literal["retro-takes/1"] = TAKES_SCHEMA
    takes: Annotated[tuple[TakeDocument, ...], Meta(min_length=1, max_length=10_000)]


@dataclass(frozen=True, slots=True, kw_only=True)
class StretchDocument:
    """A stretch of a take that is chosen.

    Parameters
    ----------
    take
        Number of the take.
    words
        What was asked for: bars 1-3, or the tail.
    start_frame, end_frame
        Insert frames, half open, up to the joins with its neighbours.
    frames_sha256
        Of what the clip takes of each of its files, crossfades included, in the order of the take's
        files; see `retro.takes.frame_hash`.
    """

    take: int
    words: str
    start_frame: int
    end_frame: int
    frames_sha256: tuple[Sha256, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinDocument:
    """Where two stretches fade into each other, in all microphones alike.

    Parameters
    ----------
    at_frame
        Insert frame of its middle.
    fade_frames
        Its length, even.
    on
        Whether nobody plays there, or tones that were played before sound on steadily.
    bar, beat
        Place in the insert.
    asked_frame
        Where it was asked for: a bar line, or the last release.
    """

    at_frame: int
    fade_frames: Count
    on: Literal["rest", "steady tone"]
    bar: int
    beat: float
    asked_frame: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceDocument:
    """What is chosen among the takes of one insert: choice.json.

    Parameters
    ----------
    schema
        Version of this format.
    version
        Of the program that wrote it.
    letter, song
        Of the insert.
    words, why
        The choice as it was typed, and why it was made, if anybody said.
    plan, plan_sha256
        Path of the pack's plan.json, and its hash.
    rate
        Frames a second.
    takes
        Those that are chosen from; paths are from this file's folder.
    stretches
        In the order in which they are played.
    joins
        One between each two.
    start_frame, end_frame
        What the clip is made of, in insert frames.
    placing_take
        The take whose tones the clip is anchored on.
    lateness_ms
        Its lateness, which goes into the place; null where nobody measured it.
    notices
        What a person should know.
    """

    schema: Literal["retro-choice/2"] = CHOICE_SCHEMA
    version: str = VERSION
    letter: Letter
    song: str
    words: str
    why: str = ""
    plan: str
    plan_sha256: Sha256
    rate: Annotated[int, Meta(ge=1)]
    takes: Annotated[tuple[TakeDocument, ...], Meta(min_length=1)]
    stretches: Annotated[tuple[StretchDocument, ...], Meta(min_length=1)]
    joins: tuple[JoinDocument, ...]
    start_frame: int
    end_frame: int
    placing_take: int
    lateness_ms: Number | None
    notices: tuple[str, ...]


def read_takes(path: Path) -> TakesDocument:
    """Read a takes.json.

    Raises
    ------
    ReadError
        If it is none, in one line that names the key.
    TakeError
        If two takes of one insert have one number, or a take names a microphone twice.
    """
    takes = decoded(_bytes(path), TakesDocument, where=path)
    seen: set[tuple[str, int]] = set()
    for take in takes.takes:
        if (take.letter, take.number) in seen:
            raise TakeError(
                f"take {take.number} of Insert {take.letter} is there twice", where=path
            )
        seen.add((take.letter, take.number))
        names = [file.microphone for file in take.files]
        if len(set(names)) < len(names):
            raise TakeError(
                f"take {take.number} of Insert {take.letter} names a microphone twice", where=path
            )
    return takes


def read_choice(path: Path) -> ChoiceDocument:
    """Read a choice.json.

    Raises
    ------
    ReadError
        If it is none, or does not hang together.
    """
    choice = decoded(_bytes(path), ChoiceDocument, where=path)
    numbers = {take.number for take in choice.takes}
    ends = [each.end_frame for each in choice.stretches]
    starts = [each.start_frame for each in choice.stretches]
    edges = [choice.start_frame, *(join.at_frame for join in choice.joins), choice.end_frame]
    is_whole = starts == edges[:-1] and ends == edges[1:] and edges == sorted(edges)
    known = {each.take for each in choice.stretches} | {choice.placing_take}
    counts = {len(take.files) for take in choice.takes}
    counts.update(len(each.frames_sha256) for each in choice.stretches)
    if not is_whole or not known <= numbers or len(counts) > 1:
        raise ReadError(
            "its stretches, joins and takes do not fit together",
            where=path,
            advice="choose again with retro day choose",
        )
    return choice


def files_from(take: TakeDocument, folder: Path, *, base: Path | None = None) -> TakeDocument:
    """Return a take whose paths are from a folder; now they are from `base`, or from it if None."""
    return replace(
        take,
        files=tuple(
            replace(file, path=path_from(path_at(file.path, base or folder), folder))
            for file in take.files
        ),
    )


def path_from(path: str | Path, folder: Path) -> str:
    """Return a path from a folder, written with slashes."""
    return Path(os.path.relpath(path, folder)).as_posix()


def path_at(path: str, folder: Path) -> Path:
    """Return where a path from a folder leads: as `path_from` wrote it, following no links."""
    return Path(os.path.normpath(folder / path))


def _bytes(path: Path) -> bytes:
    with path.open("rb") as file:
        data = file.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        raise LimitError(f"more than {MAX_BYTES} bytes", where=path)
    return data

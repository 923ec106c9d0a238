"""What the JSON files of a day say, key by key; the schemas in ``docs`` are made from these."""

from dataclasses import dataclass
from typing import Annotated, Final, Literal

from msgspec import Meta

from retro.model.bounded import Count, Sha256
from retro.version import VERSION

DAY_SCHEMA: Final = "retro-day/1"

Letter = Annotated[str, Meta(pattern="^[A-Z]{1,3}$")]


@dataclass(frozen=True, slots=True, kw_only=True)
class DayInsertDocument:
    """One insert of the day, in the order in which the packs are given.

    Parameters
    ----------
    letter, song, bars
        As printed.
    folder
        Of the pack, as day.toml names it.
    plan_sha256
        Of the pack's plan.json.
    click
        The click with its pattern, from the folder of this file.
    rate
        Frames a second of that click.
    tick_frames
        Where each tick of the pattern starts in it.
    count_in_frame
        Where the pack's click starts in it.
    phrase_start_frame
        Where the insert's bar 1 beat 1 lies in it.
    """

    letter: Letter
    song: str
    bars: str
    folder: str
    plan_sha256: Sha256
    click: str
    rate: Annotated[int, Meta(ge=1)]
    tick_frames: tuple[Count, ...]
    count_in_frame: Count
    phrase_start_frame: Count


@dataclass(frozen=True, slots=True, kw_only=True)
class DayDocument:
    """What was prepared for a day: day.json.

    Parameters
    ----------
    schema
        Version of this format.
    version
        Of the program that wrote it.
    title
        Of the day.
    inserts
        In the order of the day.
    tick_s, tick_hz, tick_dbfs
        Of one tick: how long, how high, how loud.
    """

    schema: Literal["retro-day/1"] = DAY_SCHEMA
    version: str = VERSION
    title: str
    inserts: tuple[DayInsertDocument, ...]
    tick_s: float
    tick_hz: float
    tick_dbfs: float

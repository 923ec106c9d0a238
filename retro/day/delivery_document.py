"""deliver.json, key by key: what is handed over for one song, and where it goes."""

from dataclasses import dataclass
from typing import Annotated, Final, Literal

from msgspec import Meta

from retro.day.documents import Letter
from retro.model.bounded import Count, Number, Sha256
from retro.version import VERSION

DELIVERY_SCHEMA: Final = "retro-delivery/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipFile:
    """One file that is laid into the song.

    Parameters
    ----------
    path
        From the folder of deliver.json.
    sha256, bytes
        Of the file.
    frames, channels, samples
        What it holds.
    time_reference
        Of its ``bext`` chunk; null where its form has none.
    source
        The recording that it is of.
    """

    path: str
    sha256: Sha256
    bytes: Count
    frames: Count
    channels: Annotated[int, Meta(ge=1)]
    samples: str
    time_reference: int | None
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip:
    """The files of one take, all at one place.

    Parameters
    ----------
    take, why
        Which takes, and why they were chosen, in words; the latter is empty where nobody said.
    rate
        Frames a second of all its files.
    clip_start_samples
        Frame of the song, counted from its first, at which every file begins; negative before it.
    time_reference
        The same in frames since midnight, as the session counts; null before midnight.
    timecode, timecode_rate, subframe_samples
        The same as timecode (null where none can say it), and the frames of sound beyond it.
    lateness_ms
        Lateness that is in this place; null where none was reckoned with.
    lands_at
        Bar and beat of the song that the clip lands on; null where nothing lands.
    spread_ms
        Spread of the landing by the players, as a standard deviation.
    crossfades
        Frames of the clip, half open, in which two takes are mixed.
    doubts
        What a person should look at.
    files
        One a microphone.
    """

    take: str
    why: str
    rate: Annotated[int, Meta(ge=1)]
    clip_start_samples: int
    time_reference: int | None
    timecode: str | None
    timecode_rate: str
    subframe_samples: Number
    lateness_ms: Number | None
    lands_at: str | None
    spread_ms: Number
    crossfades: tuple[tuple[int, int], ...]
    doubts: tuple[str, ...]
    files: Annotated[tuple[ClipFile, ...], Meta(min_length=1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveredInsert:
    """One insert of the song.

    Parameters
    ----------
    letter, bars
        As printed: the bars are those that it replaces.
    plan_sha256
        Of its plan.
    window_start_samples, length_samples
        The replaced bars in frames of the song, at the clip's rate, or else at the plan's.
    clip
        What goes into the song; null where nothing was chosen.
    alternates
        Other takes, each with a place of its own.
    """

    letter: Letter
    bars: str
    plan_sha256: Sha256
    window_start_samples: Count
    length_samples: Count
    clip: Clip | None
    alternates: tuple[Clip, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryDocument:
    """All of one song.

    Parameters
    ----------
    schema
        Version of this format.
    version
        Of the program that wrote it.
    song
        Its title.
    session_start
        Timecode of the song's first frame, from which the places in timecode count.
    inserts
        In the order in which they come in the song.
    """

    schema: Literal["retro-delivery/1"] = DELIVERY_SCHEMA
    version: str = VERSION
    song: str
    session_start: str
    inserts: tuple[DeliveredInsert, ...]

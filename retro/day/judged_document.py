"""judged.json, key by key: what was heard in every take of a day."""

from dataclasses import dataclass
from typing import Annotated, Final, Literal

from msgspec import Meta

from retro.day.documents import Letter
from retro.model.bounded import Count, NotNegative, Number
from retro.version import VERSION

JUDGED_SCHEMA: Final = "retro-judged/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class DoubtfulNote:
    """A note in whose place another pitch stands out than in the other takes: listen here.

    Parameters
    ----------
    note
        Index in plan.json.
    bar, beat
        Of the insert, where it begins.
    at_frame
        Frame of the take.
    player
        Who has it.
    semitones
        From what is written to what stands out.
    """

    note: Count
    bar: int
    beat: float
    at_frame: int
    player: str
    semitones: int


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedSection:
    """A section in its own microphone.

    Parameters
    ----------
    section, microphone
        As day.toml names them.
    lateness_ms, lateness_uncertainty_ms
        How late it is heard, and how far that may be off (95 %), the flight from section to
        microphone taken off; null where it cannot be told.
    cents
        How much sharper it is than in the median of the other takes; null where it cannot be told.
    doubtful
        Notes to listen to.
    """

    section: str
    microphone: str
    lateness_ms: Number | None
    lateness_uncertainty_ms: NotNegative | None
    cents: Number | None
    doubtful: tuple[DoubtfulNote, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedNoise:
    """A noise in the tail.

    Parameters
    ----------
    after_release_s, length_s
        From the last release on.
    over_db
        How far it stands above the tail, or soon after the release above the other takes.
    microphone
        Where it stands out most.
    """

    after_release_s: Number
    length_s: NotNegative
    over_db: Number
    microphone: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayedNoiseDocument:
    """A noise between the beginning and the last release that no other take has: listen here.

    Parameters
    ----------
    bar, beat
        Of the insert, where it begins.
    at_frame
        Frame of the take.
    length_s
        How long it stands out.
    over_db
        How far it stands above the other takes in three third octaves; in a rest of all players,
        above what fades away there.
    microphone
        Where it stands out most.
    """

    bar: int
    beat: float
    at_frame: int
    length_s: NotNegative
    over_db: Number
    microphone: str


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedTake:
    """What was heard in one take.

    Parameters
    ----------
    letter, number
        Of the insert, and of the take.
    rank
        Among the takes of its insert, 1 is the one with the least against it. Last comes what
        does not hold the insert, before it what has a fault in its tail, a noise while people
        play, anything to listen to, nothing.
    is_there
        Whether the insert lies where takes.json says: null where nobody can tell.
    place
        The same in words.
    lateness_ms, lateness_uncertainty_ms
        Of all players, in the microphone that is surest; null where it cannot be told.
    sections
        Those whose microphone day.toml names.
    peak_dbfs, level_dbfs
        Greatest sample of the phrase in any microphone that was heard, and its level (root mean
        square) in the first of them; null where it is silent.
    level_over_others_db
        The level over the median of the other takes.
    noises
        In the tail.
    played_noises
        Before it, in order of time.
    roll_short_s, short_in
        How much too early the recording ends; 0 where it is long enough. In which microphones;
        empty where they all end alike.
    early_s
        How much too early the players let go at the end; null where nothing is held there, or
        fewer than two microphones agree.
    not_heard
        What could not be listened for in it, in words: nothing is known of that.
    remarks
        All that is against it, in words: what the rest hangs on, then the worst first; last what
        could not be listened for.
    """

    letter: Letter
    number: Annotated[int, Meta(ge=1)]
    rank: Annotated[int, Meta(ge=1)]
    is_there: bool | None
    place: str
    lateness_ms: Number | None
    lateness_uncertainty_ms: NotNegative | None
    sections: tuple[JudgedSection, ...]
    peak_dbfs: Number | None
    level_dbfs: Number | None
    level_over_others_db: Number | None
    noises: tuple[JudgedNoise, ...]
    played_noises: tuple[PlayedNoiseDocument, ...]
    roll_short_s: NotNegative
    short_in: tuple[str, ...]
    early_s: Number | None
    not_heard: tuple[str, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedDocument:
    """What was heard in the takes of a day.

    Parameters
    ----------
    schema
        Version of this format.
    version
        Of the program that wrote it.
    takes
        By insert, in order of rank.
    """

    schema: Literal["retro-judged/1"] = JUDGED_SCHEMA
    version: str = VERSION
    takes: tuple[JudgedTake, ...]

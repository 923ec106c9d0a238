"""What plan.json says, key by key; ``docs/plan.schema.json`` is made from these classes.

Notes, settings, placement and findings are the model's own. Conventions as in ``docs/plan.md``.
"""

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Annotated, Final, Literal

from msgspec import Meta

from retro.model.bounded import Count, NotNegative, Number, Positive, Sha256
from retro.model.performance import Finding, NoteTimes
from retro.model.placement import Placement
from retro.model.settings import Settings

SCHEMA: Final = "retro-plan/1"
"""The only version that is read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceDocument:
    """The target file.

    Parameters
    ----------
    name
        File name without its folder.
    sha256
        Of the file, in hexadecimal.
    ticks_per_quarter
        Resolution of the file.
    """

    name: str
    sha256: Sha256
    ticks_per_quarter: Annotated[int, Meta(ge=1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class TempoDocument:
    """A tempo, and where it begins.

    Parameters
    ----------
    at_beats
        Position.
    us_per_quarter
        Microseconds a quarter note, as MIDI states tempo.
    """

    at_beats: Fraction
    us_per_quarter: Annotated[int, Meta(ge=1, le=0xFFFFFFFF)]


@dataclass(frozen=True, slots=True, kw_only=True)
class BarDocument:
    """A bar.

    Parameters
    ----------
    number
        Bar number as printed: from 1, or as a score numbers its bars; a bar that is repeated is
        there twice.
    start_beats, length_beats
        Its span.
    into_beats
        How far into its full bar it begins: a pick-up of two beats in 4/4 is counted 3, 4. Only
        the first bar is counted by it.
    meter
        As printed: 7/8.
    groups
        Beat groups in units of the meter's denominator; they add up to its numerator.
    """

    number: int
    start_beats: Fraction
    length_beats: Fraction
    into_beats: Fraction = field(default_factory=Fraction)
    meter: Annotated[str, Meta(pattern="^[0-9]{1,4}/[0-9]{1,4}$")]
    groups: Annotated[tuple[Annotated[int, Meta(ge=1, le=9999)], ...], Meta(min_length=1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeDocument:
    """Bars and tempo over a span.

    Parameters
    ----------
    length_beats
        Length in quarter notes.
    tempo
        The first at 0.
    bars
        Without gaps, the first at 0.
    """

    length_beats: Fraction
    tempo: Annotated[tuple[TempoDocument, ...], Meta(min_length=1)]
    bars: Annotated[tuple[BarDocument, ...], Meta(min_length=1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class SongDocument(TimeDocument):
    """The whole song's time.

    Parameters
    ----------
    title
        As printed.
    """

    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowDocument:
    """The bars of the song that the listener shall hear.

    Parameters
    ----------
    start_beats, end_beats, start_s, end_s
        Song time.
    start_bar, end_bar
        The first and the last bar inside.
    start_beat, end_beat
        The beat of the first bar at which it begins, and that of the last bar before which it
        ends; null at the edge of the bar.
    length_beats, length_s
        From start to end.
    """

    start_beats: Fraction
    end_beats: Fraction
    start_s: NotNegative
    end_s: Positive
    start_bar: int
    end_bar: int
    start_beat: Fraction | None = None
    end_beat: Fraction | None = None
    length_beats: Fraction
    length_s: Positive


@dataclass(frozen=True, slots=True, kw_only=True)
class ClickDocument:
    """One click, insert time; negative in the count-in."""

    at_s: Number
    accent: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class InsertDocument(TimeDocument):
    """What is played, on its own time: bar 1 begins at 0.

    Parameters
    ----------
    letter
        Of the insert.
    heading
        As printed over score and parts.
    length_s
        Length in seconds.
    count_in_bars
        Bars of click before bar 1.
    count_in_beats, count_in_s
        Their length.
    clicks
        Every click from the start of the count-in to the last release.
    """

    letter: str
    heading: str
    length_s: Positive
    count_in_bars: Count
    count_in_beats: Fraction
    count_in_s: NotNegative
    clicks: tuple[ClickDocument, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PartDocument:
    """One part of the insert.

    Parameters
    ----------
    index
        From 0.
    name
        As printed.
    instrument
        Key of the instrument.
    track
        Track name as the file states it.
    guessed_from
        What the player was guessed from.
    attack_s, decay_s
        Medians over the part's notes, for a sampler.
    written_attack_s, written_decay_s
        The same for people who play what is written.
    onset_spread_ms, landing_spread_ms
        Half the distance between the extremes of `written_onset_error_ms` and of
        `written_landing_error_ms`.
    """

    index: Count
    name: str
    instrument: str
    track: str
    guessed_from: str
    attack_s: NotNegative
    decay_s: Positive
    written_attack_s: NotNegative
    written_decay_s: Positive
    onset_spread_ms: NotNegative
    landing_spread_ms: NotNegative


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteDocument(NoteTimes):
    """One target note and what becomes of it.

    Parameters
    ----------
    pitch
        Sounding MIDI note number.
    velocity
        MIDI velocity.
    """

    pitch: Annotated[int, Meta(ge=0, le=127)]
    velocity: Annotated[int, Meta(ge=1, le=127)]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanDocument:
    """Every number of one insert, for programs. See plan.md for the conventions.

    Parameters
    ----------
    schema
        Version of this format.
    version
        Version of retro that wrote the file.
    source
        The target file.
    song
        Time of the whole song.
    window
        The bars that the listener shall hear.
    settings
        Everything that was set for the run.
    insert
        Time of what is played.
    silent
        Players who have nothing in the window and so no part in the insert.
    parts
        In the order of the file.
    notes
        One per target note, by part and target note.
    placement
        Where the flipped clip goes.
    findings
        What a person should know, the gravest first.
    """

    schema: Literal["retro-plan/1"]
    version: str
    source: SourceDocument
    song: SongDocument
    window: WindowDocument
    settings: Settings
    insert: InsertDocument
    parts: Annotated[tuple[PartDocument, ...], Meta(min_length=1)]
    silent: tuple[str, ...]
    notes: tuple[NoteDocument, ...]
    placement: Placement
    findings: tuple[Finding, ...]

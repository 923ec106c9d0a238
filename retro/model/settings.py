"""Everything that a person may set, with its default.

A settings file (`retro.read.settings`) and the flags of the commands fill this in.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from typing import Annotated

from msgspec import Meta

from retro.model.bounded import Count, Number, Positive, Rate
from retro.model.sound import Room

ORCHESTRAL_STUDIO = Room(reverberation_s=1.6, direct_to_reverberant_db=0.0)
"""The middle of the published 1.2 to 2 s for orchestral studios (acousticians' handbooks)."""


class Compensate(StrEnum):
    """Which ends of a note are moved to make up for attack and room."""

    BOTH = "both"
    RELEASE = "release"
    ATTACK = "attack"
    NONE = "none"

    @property
    def moves_starts(self) -> bool:
        """Whether the player starts early by the rise."""
        return self in (Compensate.BOTH, Compensate.ATTACK)

    @property
    def moves_stops(self) -> bool:
        """Whether the player lets go early by the fall of the room."""
        return self in (Compensate.BOTH, Compensate.RELEASE)


class Habit(StrEnum):
    """What players place on the click: the perceived onset (most do), or the very start."""

    SPEAK = "speak"
    START = "start"


class Landing(StrEnum):
    """Which moment of the target note its landing falls on."""

    END = "end"
    START = "start"


class SoundFormat(StrEnum):
    """File formats for what is heard; the value is the file's extension."""

    WAV = "wav"
    FLAC = "flac"
    OGG = "ogg"

    @property
    def is_lossless(self) -> bool:
        """Whether the samples come back as they were: WAV and FLAC, at 24 bits."""
        return self is not SoundFormat.OGG


class PaperSize(StrEnum):
    """Paper that parts and scores are printed on; `concert` is 10 by 13 inches."""

    LETTER = "letter"
    A4 = "a4"
    CONCERT = "concert"


class ScoreIn(StrEnum):
    """How the score is written: as the parts are, or as it sounds; octaves stay as they are."""

    TRANSPOSED = "transposed"
    C = "c"


class Section(StrEnum):
    """The parts of a pack that can be made alone; its plan is always made."""

    ARRANGER = "arranger"
    COPYIST = "copyist"
    ENGINEER = "engineer"
    SHEET = "sheet"


@dataclass(frozen=True, slots=True, kw_only=True)
class PartSettings:
    """What a person says about one part; None leaves the guess.

    `match` is the track's name, or its number in the file (from 1) written as digits;
    `leave_out` says whether the track takes no part. The
    sampler's figures are for `played.mid` alone; without them `attack_s` and `decay_s` hold for it.
    `bank` (128: drum kits), `program` and `key`, counted from 0, are what a bank of sounds plays
    for the part, and the key that it strikes for every note.
    """

    match: str
    instrument: str | None = None
    name: str | None = None
    landing: Landing | None = None
    attack_s: float | None = None
    decay_s: float | None = None
    leave_out: bool | None = None
    sampler_attack_s: float | None = None
    sampler_decay_s: float | None = None
    bank: int | None = None
    program: int | None = None
    key: int | None = None


@dataclass(frozen=True, slots=True, order=True)
class BeatGroups:
    """Beat groups that replace the usual grouping of a meter, such as 3+2+2 of 7/8."""

    meter: str
    groups: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """All settings of one run.

    Parameters
    ----------
    bars
        The window as bars of the song, ``33-36`` or ``33``, or None.
    start, end
        The window from place to place of the song, ``31.3`` for bar 31 beat 3; the end is not in
        it. In a file these are `from` and `to`; None for the start or the end of the song.
    start_marker, end_marker
        The window from marker to marker; without the second up to the next marker, or None.
        No bars, places nor markers: the whole song.
    replaces
        Bars of the song that the insert replaces where the window was drafted apart from them, as
        after the song's end; None: the window itself.
    room
        Reverberation time and direct-to-reverberant ratio.
    onset_db
        How far below its own greatest level a tone is heard to begin and to end (published for
        onsets: 6 to 20 dB).
    audible_db
        How far below the loudest tone of the phrase anything is still audible.
    compensate
        What is made up for: the rise of tones, their fall, both or nothing.
    habit
        What players put on the click: the perceived onset of a tone, or its start.
    landing
        Where struck tones that ring by pitch land. Drums and cymbals land on their starts always,
        and sustained tones on their ends unless their own part says otherwise.
    shortest_s
        Shortest note that a sustaining player is asked for, in seconds (common practice).
    keep_gaps
        Whether note-offs are taken literally where they leave a small gap before a beat or before
        the next note of their line.
    lands_on
        Bar and beat of the song whose landing is the clip's anchor, ``29.1``, or None for the last
        landing of the phrase.
    swell_beats
        Length of a drafted swell in quarter notes: what lies between the markers Swell and Landing
        is stretched about the landing, and the window is the bars that the swell then lies in.
        None leaves it as drafted.
    grid_beats
        Finest written unit in quarter notes.
    straighten_swing
        Whether swung pairs are written as even notes.
    count_in_bars
        Bars of click before the insert.
    rate
        Frames a second of everything that sounds and of the placement.
    session_start
        Timecode of the song's first frame, ``HH:MM:SS:FF``.
    frame_rate
        Timecode rate: 23.976, 24, 25, 29.97, 29.97df or 30.
    lateness_s
        Lateness: how much later than written the players are heard, or None to reckon with none.
    letter
        Letter of the insert.
    title
        Name of the song, or None for the file's own.
    meter_groups
        Beat groups of meters that are not grouped as usual.
    temperature_c
        Air temperature for microphone distances.
    seed
        Seed of the diffuse part of the preview's room.
    paper
        Paper of score, parts and notice.
    score_in
        Whether the score transposes as the parts do.
    sound_format
        File format of what is heard in the arranger's folder; the click is always WAV.
    stems
        Whether the flipped sound is written part by part, too.
    over
        Path of a bounce of the song into which the flipped sound is laid, or None.
    sounds
        Path of figures that `retro learn` wrote, or None: a sampler's are for `played.mid`, those
        of people for paper.
    soundfont
        Path of a bank of sounds (SoundFont 2) that the preview is played with, or None for sines.
    into
        Path of the main score as MusicXML, into which the insert is put, or None.
    only
        What a pack holds beside its plan.
    tracks
        The tracks that take part, by name, player or number; empty for the usual choice.
    parts
        What is said about single parts.
    """

    bars: str | None = None
    start: str | None = None
    end: str | None = None
    start_marker: str | None = None
    end_marker: str | None = None
    replaces: str | None = None
    room: Room = ORCHESTRAL_STUDIO
    onset_db: Positive = 10.0
    audible_db: Positive = 40.0
    compensate: Compensate = Compensate.BOTH
    habit: Habit = Habit.SPEAK
    landing: Landing = Landing.END
    shortest_s: Positive = 0.12
    keep_gaps: bool = False
    lands_on: str | None = None
    swell_beats: Fraction | None = None
    grid_beats: Fraction = field(default_factory=lambda: Fraction(1, 4))
    straighten_swing: bool = False
    count_in_bars: Count = 2
    rate: Rate = 48_000
    session_start: str = "00:00:00:00"
    frame_rate: str = "25"
    lateness_s: Number | None = None
    letter: str = "A"
    title: str | None = None
    meter_groups: tuple[BeatGroups, ...] = ()
    temperature_c: Annotated[float, Meta(ge=-100, le=100)] = 20.0
    seed: int = 1
    paper: PaperSize = PaperSize.A4
    score_in: ScoreIn = ScoreIn.TRANSPOSED
    sound_format: SoundFormat = SoundFormat.WAV
    stems: bool = False
    over: str | None = None
    soundfont: str | None = None
    sounds: str | None = None
    into: str | None = None
    only: tuple[Section, ...] = tuple(Section)
    tracks: tuple[str, ...] = ()
    parts: tuple[PartSettings, ...] = ()

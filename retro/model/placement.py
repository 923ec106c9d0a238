"""Where the flipped clip goes: the answer of `retro.placement`, field by field as in plan.json."""

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from typing import Annotated

from msgspec import Meta

from retro.model.bounded import Count, NotNegative, Number, Positive, Rate, Whole
from retro.model.performance import Finding


class ShiftFrom(StrEnum):
    """What the shift is taken from: what is written, or a take that was measured."""

    WRITTEN = "written"
    MEASURED = "measured"


@dataclass(frozen=True, slots=True, kw_only=True)
class SongPlace:
    """A place in the song's own time.

    Parameters
    ----------
    seconds
        From the song's first frame.
    samples
        Nearest frame.
    bar
        Song bar; 0 and below lie before the song.
    beat
        Beats of the meter's denominator, from 1, with the fraction.
    """

    seconds: Fraction
    samples: Whole
    bar: int
    beat: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class RatePlace:
    """The clip's start at one timecode rate.

    Parameters
    ----------
    timecode
        HH:MM:SS:FF, with ; before the frames in drop-frame; null where the session start is no
        legal number at this rate.
    subframe_samples
        Samples from the start of that frame to the clip's start.
    frame_samples
        Samples in one frame, exact where a double can be.
    time_reference_samples
        BWF TimeReference if the session runs at this rate from the same start label; null where
        the clip begins before the session's midnight or the label is not legal.
    """

    timecode: str | None
    subframe_samples: Fraction | None
    frame_samples: Fraction
    time_reference_samples: Count | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """The landing that the clip is anchored on.

    Parameters
    ----------
    bar, beat
        Place in the song, as printed; beats from 1.
    at_s
        Window time.
    players
        Who lands there.
    apart_ms
        Who is wanted there and lands beside it, and by how many milliseconds after the shift;
        negative is early.
    """

    bar: int
    beat: Fraction
    at_s: Number
    players: tuple[str, ...]
    apart_ms: dict[str, float]


@dataclass(frozen=True, slots=True)
class Microphone:
    """How much later a microphone hears at a distance; flipped, earlier by as much."""

    distance_m: Positive
    delay_ms: Positive
    delay_samples: Positive


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """Where the flipped clip goes.

    Parameters
    ----------
    rate
        Frames a second.
    length_samples
        The phrase: nearest(length_s * rate).
    roll_s, roll_bars, roll_samples
        From the phrase's end until the recorder may stop.
    tail_kept_samples
        Frames kept after the phrase's end: the clip begins this far before the window.
    window_start_samples
        T0: nearest(start_s * rate).
    shift_samples, shift_ms
        Later is positive.
    anchor
        The landing whose written error the shift takes away; null where nothing lands.
    shift_from
        Whether it is taken from what is written or from a take.
    spread_ms
        Honest spread of the landings about the stated place, as a standard deviation.
    clip_start_samples
        T0 - tail_kept + shift, frames from the song's first frame; negative before it.
    clip_start_ms
        The same in milliseconds.
    clip_start
        The same as a place in the song.
    clip_length_samples
        To the cut at the first attack.
    pre_roll_samples
        How far before bar 1 the first attack begins.
    first_attack_s
        Insert time of the first attack, by the plan or by the paper, whichever is earlier.
    last_release_s
        Insert time of the last release, whichever is later.
    silent_s
        Insert time at which every tone has fallen by 60 dB.
    audible_from_s
        Window time at which the swell begins to be heard; negative before the window.
    attack_doubt_ms
        What the attack figures add to the spread where they decide the landing, else 0.
    phrase_start_samples
        Take frame of the insert's bar 1 beat 1; 0 in a plan.
    phrase_end_samples
        Take frame of the phrase's end.
    export_start_samples
        First take frame of the clip: the first attack.
    export_end_samples
        Take frame after the clip's last.
    first_attack_samples
        Frames from bar 1 of the insert to the first attack; negative before it. The flipped clip
        is cut there.
    last_release_samples
        Frames from bar 1 of the insert to the last release.
    swell_audible_from
        Where the swell begins to be heard in the song.
    session_start, frame_rate
        Timecode of the song's first frame, and the session's rate.
    timecodes
        The clip's start at every timecode rate, by the rate's name.
    time_reference_samples
        BWF TimeReference of the clip at the session's frame rate; null where the clip begins
        before the session's midnight.
    microphones
        How much later a microphone hears in the take, and earlier in the flipped clip.
    findings
        What a person should know of the place.
    """

    rate: Rate
    length_samples: Annotated[int, Meta(ge=1, le=10**12)]
    roll_s: Fraction
    roll_bars: Count
    roll_samples: Count
    tail_kept_samples: Count
    window_start_samples: Count
    shift_samples: Whole
    shift_ms: Number
    anchor: Anchor | None
    shift_from: ShiftFrom
    spread_ms: NotNegative
    clip_start_samples: Whole
    clip_start_ms: Number
    clip_start: SongPlace
    clip_length_samples: Whole
    pre_roll_samples: Count
    first_attack_s: Number
    last_release_s: Number
    silent_s: Number
    audible_from_s: Number
    attack_doubt_ms: NotNegative
    phrase_start_samples: Whole
    phrase_end_samples: Whole
    export_start_samples: Whole
    export_end_samples: Whole
    first_attack_samples: Whole
    last_release_samples: Whole
    swell_audible_from: SongPlace
    session_start: str
    frame_rate: str
    timecodes: dict[str, RatePlace]
    time_reference_samples: Count | None
    microphones: tuple[Microphone, ...]
    findings: tuple[Finding, ...]

"""Timecode: frame numbers as SMPTE ST 12-1 counts them, and the exact way to seconds.

Conventions
-----------
A frame number counts from 0 at midnight, 00:00:00:00. Time is exact (`Fraction` seconds); what
does not fill a frame is handed back, never rounded away. Labels wrap at midnight.

Drop-frame leaves out the labels ;00 and ;01 of each minute but every tenth (SMPTE ST 12-1); no
picture is dropped.
"""

import re
from dataclasses import dataclass
from fractions import Fraction

from retro.errors import SettingsError

DROPPED_A_MINUTE = 2
LABEL = re.compile(r"(\d{1,2}):([0-5]?\d):([0-5]?\d)([:;])(\d{1,2})", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRate:
    """A timecode rate, by the name that settings and tables have for it: "29.97df".

    `label_fps` are the frames that a second of labels counts, `fps` those in a second of time,
    exactly; `drops` says that labels are dropped.
    """

    name: str
    label_fps: int
    fps: Fraction
    drops: bool = False

    @property
    def frames_a_minute(self) -> int:
        """Labels in a minute that drops (or in any minute where none are dropped)."""
        return 60 * self.label_fps - DROPPED_A_MINUTE * self.drops

    @property
    def frames_in_ten_minutes(self) -> int:
        """Frames in ten minutes of labels."""
        return 10 * self.frames_a_minute + DROPPED_A_MINUTE * self.drops

    @property
    def frames_a_day(self) -> int:
        """Frames after which the labels begin again."""
        return 144 * self.frames_in_ten_minutes

    @property
    def day_s(self) -> Fraction:
        """Seconds after which the labels begin again."""
        return self.frames_a_day / self.fps


FRAME_RATES = {
    rate.name: rate
    for rate in (
        FrameRate(name="23.976", label_fps=24, fps=Fraction(24_000, 1001)),
        FrameRate(name="24", label_fps=24, fps=Fraction(24)),
        FrameRate(name="25", label_fps=25, fps=Fraction(25)),
        FrameRate(name="29.97", label_fps=30, fps=Fraction(30_000, 1001)),
        FrameRate(name="29.97df", label_fps=30, fps=Fraction(30_000, 1001), drops=True),
        FrameRate(name="30", label_fps=30, fps=Fraction(30)),
    )
}
"""The timecode rates by name."""


@dataclass(frozen=True, slots=True)
class Timecode:
    """A place on the timecode: the label of the frame, and what remains inside it.

    Parameters
    ----------
    label
        ``HH:MM:SS:FF``, with a semicolon before the frames in drop-frame.
    remainder_samples
        Samples from the frame's start, exactly; at least 0 and below a frame's length.
    """

    label: str
    remainder_samples: Fraction


def frame_rate(name: str) -> FrameRate:
    """Return a timecode rate by its name.

    Raises
    ------
    SettingsError
        If there is no such rate.
    """
    try:
        return FRAME_RATES[name.strip().lower()]
    except KeyError:
        known = ", ".join(FRAME_RATES)
        raise SettingsError(f"no timecode rate {name!r}", advice=f"one of {known}") from None


def frame_label(frame: int, rate: FrameRate) -> str:
    """Label of a frame number; numbers beyond the day (or below 0) wrap at midnight."""
    number = frame % rate.frames_a_day
    if rate.drops:
        tens, rest = divmod(number, rate.frames_in_ten_minutes)
        dropping_minutes = max(rest - DROPPED_A_MINUTE, 0) // rate.frames_a_minute
        number += DROPPED_A_MINUTE * (9 * tens + dropping_minutes)
    seconds, frames = divmod(number, rate.label_fps)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    before_frames = ";" if rate.drops else ":"
    return f"{hours:02}:{minutes:02}:{seconds:02}{before_frames}{frames:02}"


def parse_label(text: str, rate: FrameRate) -> int:
    """Frame number of a label; colon and semicolon are both understood.

    Raises
    ------
    SettingsError
        If it is no timecode, no time of day, or a label that drop-frame leaves out.
    """
    found = LABEL.fullmatch(text.strip())
    if not found:
        raise SettingsError(f"{text!r} is no timecode", advice="write it as 01:00:00:00")
    hours, minutes, seconds, frames = (int(found[group]) for group in (1, 2, 3, 5))
    if hours > 23 or frames >= rate.label_fps:
        limit = f"hours to 23 and frames to {rate.label_fps - 1}"
        raise SettingsError(f"{text!r} is no timecode at {rate.name}", advice=f"it counts {limit}")
    if found[4] == ";" and not rate.drops:
        raise SettingsError(
            f"{text!r} is written as drop-frame, and {rate.name} drops nothing",
            advice="write a colon before the frames, or choose 29.97df",
        )
    total_minutes = 60 * hours + minutes
    if rate.drops and minutes % 10 and seconds == 0 and frames < DROPPED_A_MINUTE:
        raise SettingsError(
            f"{text!r} does not exist at {rate.name}: the minute begins at ;02",
            advice="move it by two frames",
        )
    number = (60 * total_minutes + seconds) * rate.label_fps + frames
    dropped = DROPPED_A_MINUTE * (total_minutes - total_minutes // 10) if rate.drops else 0
    return number - dropped


def is_label(text: str, rate: FrameRate) -> bool:
    """Whether a text is a label that the rate counts."""
    try:
        parse_label(text, rate)
    except SettingsError:
        return False
    return True


def label_seconds(text: str, rate: FrameRate) -> Fraction:
    """Seconds since midnight at which the frame of a label begins, exactly."""
    return parse_label(text, rate) / rate.fps


def samples_a_frame(rate: FrameRate, sample_rate: int) -> Fraction:
    """Return the samples in one frame, exactly: 1601.6 at 29.97 and 48 kHz."""
    return sample_rate / rate.fps


def timecode_at(
    seconds: Fraction, rate: FrameRate, *, sample_rate: int, start: str = "00:00:00:00"
) -> Timecode:
    """Return the timecode so many seconds, exactly, after the label `start`; below 0 before it.

    What remains inside the frame is counted at `sample_rate`.
    """
    frame, inside_frames = divmod(seconds * rate.fps, 1)
    label = frame_label(parse_label(start, rate) + frame, rate)
    return Timecode(label, inside_frames * samples_a_frame(rate, sample_rate))

"""The bars that a draft lies in: those of a song, or blank ones where there is no song yet.

Conventions
-----------
Positions are quarter notes from the song's start; bars and beats count from 1.
"""

import re
from collections.abc import Iterable
from fractions import Fraction

from retro.errors import SettingsError
from retro.model.phrase import Key, Phrase
from retro.model.time import Bar, Meter, Steps, TempoMap, printed_number
from retro.units import bpm_to_us_per_quarter

MAJOR = (0, 2, 4, 5, 7, 9, 11)
"""Semitones of a major scale above its tonic."""

MAX_BARS = 2000
"""Bars of a song that a draft makes up."""


def read_meter(text: str) -> Meter:
    """Return the meter of a text such as ``7/8``, its beats grouped as usual.

    Raises
    ------
    SettingsError
        If it is none.
    """
    found = re.fullmatch(r"([1-9]\d?)/(1|2|4|8|16|32)", text.strip())
    if found is None:
        raise SettingsError(f"{text!r} is no meter such as 4/4 or 7/8", where="meter")
    return Meter.plain(int(found[1]), int(found[2]))


def soonest_bar(meter: Meter, length_beats: Fraction, beat: Fraction) -> int:
    """Return the first bar of a song in one meter on whose beat a swell of a length can land."""
    since_bar = (beat - 1) * meter.unit_beats
    return 1 + max(-((since_bar - length_beats) // meter.length_beats), 0)


def first_bar_after(song: Phrase, length_beats: Fraction) -> int:
    """Return the printed number of the first bar of a song on which a swell can land."""
    ends = [count for count, bar in enumerate(song.bars, 2) if bar.end_beats >= length_beats]
    return printed_number(song.bars, ends[0] if ends else len(song.bars) + 1)


def bars_up_to(lands_on: int, beat: Fraction) -> int:
    """Return how many bars a song needs up to a landing on a beat of a bar.

    Raises
    ------
    SettingsError
        If there is no such bar, or it is too far away.
    """
    if not 1 <= lands_on <= MAX_BARS:
        raise SettingsError(f"{lands_on} is not from 1 to {MAX_BARS}", where="bar")
    return max(lands_on - (beat == 1), 1)


def blank_song(*, bars: int, meter: Meter, quarters_per_minute: Fraction, key: Key) -> Phrase:
    """Return a song of full bars in which nobody plays yet."""
    length = bars * meter.length_beats
    us_per_quarter = bpm_to_us_per_quarter(quarters_per_minute)
    return Phrase(
        title="",
        tempo=TempoMap(Steps(length, (Fraction(0),), (us_per_quarter,))),
        bars=tuple(Bar(i * meter.length_beats, meter.length_beats, meter) for i in range(bars)),
        keys=Steps(length, (Fraction(0),), (key,)),
        markers=(),
        parts=(),
    )


def key_of(pitches: Iterable[int]) -> Key:
    """Return the major key with the fewest signs among those that hold most of the pitches."""
    classes = {pitch % 12 for pitch in pitches}

    def strange(sharps: int) -> int:
        scale = {(7 * sharps + step) % 12 for step in MAJOR}
        return len(classes - scale)

    return Key(min(range(-5, 7), key=lambda sharps: (strange(sharps), abs(sharps), sharps)))


def window_bars(song: Phrase, start_beats: Fraction, landing_beats: Fraction) -> str | None:
    """Return the bars that hold a swell, as settings have them: ``5-6``; None where it is all.

    They count from the first bar of the draft, which is MIDI and prints no numbers.
    """
    inside = [
        number
        for number, bar in enumerate(song.bars, start=1)
        if bar.end_beats > start_beats and bar.start_beats < landing_beats
    ]
    if len(inside) == len(song.bars):
        return None
    return f"{inside[0]}-{inside[-1]}" if len(inside) > 1 else str(inside[0])

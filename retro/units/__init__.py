"""The only place where units convert or round.

Conventions
-----------
Beats are quarter notes as `fractions.Fraction`, seconds are `float` where they come from physics
and `Fraction` where they come from a tempo map, samples and ticks are `int`, pitches are MIDI note
numbers (69 is A4), levels are decibels. Whatever becomes an integer is rounded once, to the
nearest, halves upwards.
"""

import math
import re
from fractions import Fraction
from functools import lru_cache

DEFAULT_US_PER_QUARTER = 500_000
"""Tempo of a MIDI file that states none: 120 quarters a minute (Standard MIDI Files 1.0)."""

FINEST_BEATS = 15_360
"""Largest denominator of a position in quarter notes that a plan's numbers stand for."""

PITCH_CLASSES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
"""Names of the twelve pitch classes as tables have them; what a part prints is spelled by key."""

NEVER_DB = -300.0
"""The level that stands for silence."""


def nearest(value: Fraction | float) -> int:
    """Round to the nearest integer, halves upwards."""
    numerator, denominator = value.as_integer_ratio()
    return (2 * numerator + denominator) // (2 * denominator)


@lru_cache(maxsize=1 << 15)
def ticks_to_beats(ticks: int, ticks_per_quarter: int) -> Fraction:
    """Quarter notes from MIDI ticks, exactly; kept, since the parts of a file change together."""
    return Fraction(ticks, ticks_per_quarter)


def beats_to_ticks(beats: Fraction, ticks_per_quarter: int) -> int:
    """Nearest MIDI tick of a time in quarter notes."""
    return nearest(beats * ticks_per_quarter)


def number_to_beats(value: float) -> Fraction:
    """Quarter notes from a plan's number: the nearest fraction that MIDI files need.

    The denominator is at most `FINEST_BEATS`.
    """
    return Fraction(value).limit_denominator(FINEST_BEATS)


def seconds_to_samples(seconds: Fraction | float, rate: int) -> int:
    """Nearest frame of a time in seconds at `rate` frames a second."""
    return nearest(Fraction(seconds) * rate)


def samples_to_seconds(samples: int, rate: int) -> Fraction:
    """Seconds from frames, exactly."""
    return Fraction(samples, rate)


def seconds_to_ms(seconds: Fraction | float) -> float:
    """Milliseconds from seconds."""
    return float(seconds) * 1000.0


def ms_to_seconds(ms: float) -> float:
    """Seconds from milliseconds."""
    return ms / 1000.0


def rounded_to_ns(seconds: Fraction | float) -> float:
    """Seconds rounded to the nanosecond, for files that must not depend on the machine."""
    return round(float(seconds), 9) + 0.0


def rounded_to_us(ms: float) -> float:
    """Milliseconds rounded to the microsecond, likewise."""
    return round(ms, 3) + 0.0


def us_per_quarter_to_bpm(us_per_quarter: int) -> Fraction:
    """Quarter notes a minute from microseconds a quarter note, exactly."""
    return Fraction(60_000_000, us_per_quarter)


def bpm_to_us_per_quarter(bpm: Fraction | float) -> int:
    """Nearest whole microseconds a quarter note from quarter notes a minute."""
    return nearest(60_000_000 / Fraction(bpm))


def db_to_amplitude(db: float) -> float:
    """Amplitude ratio from decibels: ``10 ** (db / 20)``."""
    return float(10.0 ** (db / 20.0))


def amplitude_to_db(amplitude: float) -> float:
    """Decibels from an amplitude ratio; silence gives `NEVER_DB`."""
    return 20.0 * math.log10(amplitude) if amplitude > 0.0 else NEVER_DB


def db_to_energy(db: float) -> float:
    """Energy ratio from decibels: ``10 ** (db / 10)``."""
    return float(10.0 ** (db / 10.0))


def energy_to_db(energy: float) -> float:
    """Decibels from an energy ratio; silence gives `NEVER_DB`."""
    return 10.0 * math.log10(energy) if energy > 0.0 else NEVER_DB


def velocity_to_db(velocity: int) -> float:
    """Level of a MIDI velocity, 0 dB at 127: ``40 log10(v / 127)``.

    Source: the square-law velocity response that the General MIDI and DLS recommendations give
    (from memory).
    """
    return 40.0 * math.log10(max(velocity, 1) / 127.0)


def pitch_to_hz(pitch: float) -> float:
    """Equal-tempered frequency of a MIDI pitch; A4 is pitch 69 at 440 Hz (ISO 16)."""
    return float(440.0 * 2.0 ** ((pitch - 69.0) / 12.0))


def pitch_name(pitch: int) -> str:
    """Scientific name of a MIDI pitch for tables and messages: 60 is C4, 70 is Bb4."""
    return f"{PITCH_CLASSES[pitch % 12]}{pitch // 12 - 1}"


def named_pitch(name: str) -> int:
    """MIDI pitch of a scientific name: C4 is 60, Bb4 and A#4 are 70.

    Raises
    ------
    ValueError
        If it is no such name.
    """
    found = re.fullmatch(r"([A-Ga-g])(#{0,2}|b{0,2})(-?\d{1,2})", name.strip())
    if found is None:
        raise ValueError(f"{name!r} is no pitch such as C4, F#3 or Bb5")
    letter, alter, octave = found[1].upper(), found[2], int(found[3])
    natural = PITCH_CLASSES.index(letter)
    return natural + alter.count("#") - alter.count("b") + 12 * (octave + 1)


def inches_to_mm(inches: float) -> float:
    """Millimetres from inches: 25.4 exactly, by definition."""
    return inches * 25.4


def points_to_mm(points: float) -> float:
    """Millimetres from typographic points of 1/72 inch."""
    return inches_to_mm(points / 72.0)


def speed_of_sound_m_s(temperature_c: float) -> float:
    """Speed of sound in dry air: ``331.3 sqrt(1 + T / 273.15)`` metres a second."""
    return 331.3 * math.sqrt(1.0 + temperature_c / 273.15)


def flight_s(distance_m: float, temperature_c: float) -> float:
    """Return the seconds that sound needs for a distance in metres."""
    return distance_m / speed_of_sound_m_s(temperature_c)

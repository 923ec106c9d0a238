"""The click: count-in bars, then the insert's own beats, silent once the last release is due.

Bleed of a click into the tail is the first thing that a listener would hear after the flip. So no
click still sounds at the last release, written or played, whichever is later.

Conventions
-----------
Clicks are at beats of the insert's time; those of the count-in are negative. Frame 0 of the sound
is the first click of the count-in. Sound is (frames, 1).
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

import numpy as np

from retro.model.performance import Performance
from retro.model.time import Bar, Meter, TempoMap, count_in_bars, line_beats
from retro.render.wav import Sound32, to_grid
from retro.units import db_to_amplitude, samples_to_seconds, seconds_to_samples

CLICK_S = 0.025
"""Length of one click."""

MAX_GROUP_S = Fraction(6, 5)
"""Slowest beat group that is clicked as one; a slower 6/8 is clicked in eighths (common practice:
a beat below about 50 a minute is subdivided)."""

ACCENT_HZ = 1760.0
BEAT_HZ = 1174.0
"""Pitch of a bar's first click and of the others (our own choice)."""

ACCENT_DBFS = -9.0
BEAT_DBFS = -15.0
"""Peak levels: heard over an orchestra in a headphone and far from its limit (our own choice; keep
the listening level safe, NIOSH: 85 dBA for 8 hours, halved for each 3 dB)."""


@dataclass(frozen=True, slots=True)
class Click:
    """One click, at a beat of the insert's time."""

    beat: Fraction
    is_accent: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ClickTrack:
    """The click as sound and as a list.

    Parameters
    ----------
    rate
        Frames a second.
    sound
        Shape (frames, 1): count-in and insert, silence after the last click.
    clicks
        In order.
    insert_start_sample
        Frame of the insert's bar 1 beat 1.
    """

    rate: int
    sound: Sound32 = field(repr=False)
    clicks: tuple[Click, ...]
    insert_start_sample: int


def clicks(performance: Performance) -> tuple[Click, ...]:
    """Return every click: the count-in's, and the insert's up to the last release."""
    insert = performance.insert
    count_in = count_in_bars(insert.bars[0], performance.settings.count_in_bars)
    end_s = last_release_s(performance)
    bars = (*count_in, *insert.bars)
    return tuple(
        click
        for click in _clicks(bars, insert.tempo)
        if insert.tempo.seconds_at(click.beat) + Fraction(CLICK_S) <= end_s
    )


def last_release_s(performance: Performance) -> Fraction:
    """Return the last release, written or played, in seconds of insert time; 0 for no notes."""
    tempo = performance.insert.tempo
    return max(
        (
            max(tempo.seconds_at(note.written_off_beats), Fraction(note.played_off_s))
            for note in performance.notes
        ),
        default=Fraction(0),
    )


def click_track(performance: Performance) -> ClickTrack:
    """Return the click of an insert; every click starts on the nearest frame of its beat."""
    rate = performance.settings.rate
    tempo = performance.insert.tempo
    played = clicks(performance)
    count_in = count_in_bars(performance.insert.bars[0], performance.settings.count_in_bars)
    before = -_sample(tempo, count_in[0].start_beats, rate) if count_in else 0
    frames = before + seconds_to_samples(tempo.length_s, rate)
    accent = _burst(ACCENT_HZ, ACCENT_DBFS, rate)
    beat = _burst(BEAT_HZ, BEAT_DBFS, rate)
    sound = np.zeros((frames, 1), dtype=np.float32)
    for click in played:
        start = before + _sample(tempo, click.beat, rate)
        burst = accent if click.is_accent else beat
        sound[start : start + burst.size, 0] += burst[: frames - start]
    return ClickTrack(rate=rate, sound=to_grid(sound), clicks=played, insert_start_sample=before)


def _clicks(bars: tuple[Bar, ...], tempo: TempoMap) -> Iterator[Click]:
    for index, bar in enumerate(bars):
        line = line_beats(bars, index)
        for into in _places(bar.meter, line, tempo):
            if bar.start_beats <= line + into < bar.end_beats:
                yield Click(line + into, is_accent=into == 0)


def _places(meter: Meter, line: Fraction, tempo: TempoMap) -> tuple[Fraction, ...]:
    """Return where a bar is clicked, from its line: its groups, or its units where it is slow."""
    edges = (*meter.pulses(), meter.length_beats)
    times_s = [tempo.seconds_at(line + edge) for edge in edges]
    if max(after - before for before, after in pairwise(times_s)) <= MAX_GROUP_S:
        return edges[:-1]
    return tuple(unit * meter.unit_beats for unit in range(meter.numerator))


def _sample(tempo: TempoMap, beat: Fraction, rate: int) -> int:
    return seconds_to_samples(tempo.seconds_at(beat), rate)


def _burst(hz: float, peak_dbfs: float, rate: int) -> Sound32:
    """Return one click: a sine that starts at its crossing and dies away."""
    frames = seconds_to_samples(CLICK_S, rate)
    t_s = np.arange(frames) * float(samples_to_seconds(1, rate))
    fading = np.cos(0.5 * np.pi * t_s / CLICK_S) ** 2
    burst = np.sin(2.0 * np.pi * hz * t_s) * fading
    return np.asarray(burst * db_to_amplitude(peak_dbfs), dtype=np.float32)

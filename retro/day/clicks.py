"""The click of an insert with its own tick pattern before the count-in.

The click of the pack follows it sample for sample, so that the pack's plan stays true: the phrase
begins as long after the count-in as it did.
"""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from retro.day.inserts import DayInsert
from retro.day.patterns import SLOT_S
from retro.errors import AudioError
from retro.model.time import count_in_bars
from retro.render.click import BEAT_DBFS
from retro.render.wav import Sound32, read_audio, to_grid
from retro.units import db_to_amplitude, samples_to_seconds, seconds_to_samples

TICK_HZ = 2637.0
"""Above both pitches of the click, so that nobody takes a tick for a beat (our own choice)."""

TICK_S = 0.008
TICK_DBFS = BEAT_DBFS
"""No louder than a beat of the click."""

PAUSE_S = 1.0
"""Silence from the last tick to the count-in, so that this is heard to begin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PatternedClick:
    """A click with its pattern.

    Parameters
    ----------
    rate
        Frames a second.
    sound
        Shape (frames, 1).
    tick_frames
        Where each tick starts.
    count_in_frame
        Where the pack's click starts.
    phrase_start_frame
        The insert's bar 1 beat 1.
    """

    rate: int
    sound: Sound32 = field(repr=False)
    tick_frames: tuple[int, ...]
    count_in_frame: int
    phrase_start_frame: int


def patterned_click(insert: DayInsert, pattern: tuple[int, ...]) -> PatternedClick:
    """Return the click of an insert with its pattern before it.

    Raises
    ------
    AudioError
        If the pack has no click, or one that does not fit its plan.
    """
    sound, rate = _pack_click(insert.click)
    lead = _count_in_frames(insert, rate)
    if sound.shape[0] != lead + seconds_to_samples(insert.plan.insert_tempo.length_s, rate):
        raise AudioError("does not fit the plan of its pack", where=insert.click)
    ticks = tuple(seconds_to_samples(slot * SLOT_S, rate) for slot in pattern)
    count_in = ticks[-1] + seconds_to_samples(PAUSE_S, rate)
    whole = np.zeros((count_in + sound.shape[0], 1), dtype=np.float32)
    burst = tick_burst(rate)
    for start in ticks:
        whole[start : start + burst.size, 0] += burst
    whole[count_in:] += sound
    return PatternedClick(
        rate=rate,
        sound=to_grid(whole),
        tick_frames=ticks,
        count_in_frame=count_in,
        phrase_start_frame=count_in + lead,
    )


def _count_in_frames(insert: DayInsert, rate: int) -> int:
    plan = insert.plan
    bars = count_in_bars(plan.insert_bars[0], plan.settings.count_in_bars)
    start_s = plan.insert_tempo.seconds_at(bars[0].start_beats) if bars else 0
    return -seconds_to_samples(start_s, rate)


def _pack_click(path: Path) -> tuple[Sound32, int]:
    if not path.is_file():
        raise AudioError(
            "the pack has no click",
            where=path,
            advice="build it again with its engineer section",
        )
    sound, rate = read_audio(path)
    if sound.shape[1] != 1:
        raise AudioError(f"has {sound.shape[1]} channels; a click has one", where=path)
    return sound, rate


def tick_burst(rate: int) -> Sound32:
    """Return one tick: a sine that starts at its crossing and dies away."""
    frames = seconds_to_samples(TICK_S, rate)
    t_s = np.arange(frames) * float(samples_to_seconds(1, rate))
    fading = np.cos(0.5 * np.pi * t_s / TICK_S) ** 2
    burst = np.sin(2.0 * np.pi * TICK_HZ * t_s) * fading
    return np.asarray(burst * db_to_amplitude(TICK_DBFS), dtype=np.float32)

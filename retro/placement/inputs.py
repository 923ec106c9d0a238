"""What a placement starts from: the music, the session and the take.

Conventions
-----------
As in `retro.placement.place`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from retro.errors import LimitError
from retro.model.bounded import MAX_RATE, MIN_RATE
from retro.model.instruments import Sound
from retro.model.performance import Performance, Window
from retro.model.settings import Habit, Settings
from retro.model.sound import fall_s, rise_s, stroke_fall_s
from retro.model.time import Bar, TempoMap
from retro.placement.anchor import Landing, landing_of, landings_of
from retro.read.plan_file import PlanFile
from retro.units import seconds_to_ms

SILENT_DB = 60.0
"""How far the last release has to fall before the recorder may stop."""

ENSEMBLE_SPREAD_MS = 40.0
"""Spread of the onsets of an ensemble: 30 to 50 ms (Rasch 1979, read in secondary sources)."""

ATTACK_DOUBT = 0.5
"""The attack figures hold within plus or minus 50 % (from memory)."""


MAX_TAKE_S = 1_000_000

MAX_LATENESS_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacementInput:
    """What a placement has to know of the music.

    Parameters
    ----------
    start_s, length_s
        The window's start in song time and its length, exactly.
    bar_s
        Length of the bars that go on after the insert's end, in seconds.
    landings
        Every landing that is a moment, as written.
    first_attack_s, last_release_s, silent_s
        Insert time: the first attack, the last release, and when every tone has fallen by 60 dB.
    audible_from_s
        Window time at which the swell begins to be heard.
    attack_doubt_ms
        What the doubt in the attack figures adds to the spread where they decide the landing.
    """

    start_s: Fraction
    length_s: Fraction
    bar_s: Fraction
    landings: tuple[Landing, ...]
    first_attack_s: float
    last_release_s: float
    silent_s: float
    audible_from_s: float
    attack_doubt_ms: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """How the session counts: frames a second of the take, and timecode of the song's first frame.

    `temperature_c` is for microphone distances. `lands_on` is the bar and beat of the song whose
    landing is the anchor, ``29.1``; None for the last.
    """

    rate: int
    start: str = "00:00:00:00"
    frame_rate: str = "25"
    temperature_c: float = 20.0
    lands_on: str | None = None

    @classmethod
    def of(cls, settings: Settings) -> "Session":
        """Return the session that a run's settings describe."""
        return cls(
            rate=settings.rate,
            start=settings.session_start,
            frame_rate=settings.frame_rate,
            temperature_c=settings.temperature_c,
            lands_on=settings.lands_on,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeRange:
    """Where the phrase lies in the take, in its frames: bar 1 beat 1 of the insert.

    The range to be flipped ends at `take_end_samples`, None for what was to be rolled. `lateness_s`
    is how much later than written the players are heard, None to reckon with none, and its spread a
    standard deviation.
    """

    phrase_start_samples: int = 0
    take_end_samples: int | None = None
    lateness_s: float | None = None
    lateness_spread_ms: float = ENSEMBLE_SPREAD_MS


def refuse_lateness(late_ms: float) -> None:
    """Refuse a lateness that no take has.

    Raises
    ------
    LimitError
        If it is beyond its limit, or no number.
    """
    if not abs(late_ms) <= seconds_to_ms(MAX_LATENESS_S):
        raise LimitError(
            f"{late_ms:g} ms is no lateness", advice=f"at most {MAX_LATENESS_S:g} s either way"
        )


def validate(session: Session, take: TakeRange) -> None:
    """Refuse figures that no session and no take have.

    Raises
    ------
    LimitError
        If one is beyond its limits.
    """
    if not MIN_RATE <= session.rate <= MAX_RATE:
        raise LimitError(
            f"{session.rate} frames a second is no rate that we place at",
            advice=f"{MIN_RATE} to {MAX_RATE}",
        )
    for frame in (take.phrase_start_samples, take.take_end_samples or 0):
        if abs(frame) > MAX_TAKE_S * session.rate:
            raise LimitError(f"frame {frame} lies beyond any take")
    refuse_lateness(seconds_to_ms(take.lateness_s or 0.0))
    if not 0.0 <= take.lateness_spread_ms <= seconds_to_ms(MAX_LATENESS_S):
        raise LimitError(f"{take.lateness_spread_ms:g} ms is no spread")


def input_of_performance(performance: Performance, window: Window) -> PlacementInput:
    """Return what a placement has to know of a performance.

    The first attack and the last release are those of the exact performance or of what is
    written, whichever lies further out.
    """
    settings, tempo = performance.settings, performance.insert.tempo
    notes = performance.notes
    written_on_s = np.array([float(tempo.seconds_at(n.written_on_beats)) for n in notes])
    written_off_s = np.array([float(tempo.seconds_at(n.written_off_beats)) for n in notes])
    rises_s = rise_s(settings.onset_db, np.array([note.written_attack_s for note in notes]))
    speaks = settings.habit is Habit.SPEAK
    first_s = np.minimum([n.played_on_s for n in notes], written_on_s - speaks * rises_s)
    last_s = np.maximum([n.played_off_s for n in notes], written_off_s)
    return PlacementInput(
        start_s=window.start_s,
        length_s=window.length_s,
        bar_s=_bar_after(tempo, performance.insert.bars),
        landings=landings_of(performance),
        first_attack_s=float(first_s.min()),
        last_release_s=float(last_s.max()),
        silent_s=_silent_s(performance, first_s, last_s),
        audible_from_s=min(
            (note.audible_from_s for note in notes if note.audible_from_s is not None), default=0.0
        ),
        attack_doubt_ms=0.0 if speaks else ATTACK_DOUBT * seconds_to_ms(float(np.median(rises_s))),
    )


def input_of_plan(plan: PlanFile) -> PlacementInput:
    """Return what a placement has to know of a plan."""
    landings = (landing_of(n, plan.parts[n.part].name, n.velocity) for n in plan.notes)
    return PlacementInput(
        start_s=plan.start_s,
        length_s=plan.length_s,
        bar_s=_bar_after(plan.insert_tempo, plan.insert_bars),
        landings=tuple(filter(None, landings)),
        first_attack_s=plan.placement.first_attack_s,
        last_release_s=plan.placement.last_release_s,
        silent_s=plan.placement.silent_s,
        audible_from_s=plan.placement.audible_from_s,
        attack_doubt_ms=plan.placement.attack_doubt_ms,
    )


def _silent_s(performance: Performance, first_s: np.ndarray, last_s: np.ndarray) -> float:
    """Insert time at which every tone, struck ones by themselves, has fallen by 60 dB."""
    room = performance.settings.room
    instruments = [performance.players[note.part].instrument for note in performance.notes]
    struck = np.array([instrument.sound is Sound.STRUCK for instrument in instruments])
    damper_s = np.array([instrument.damper_s or math.inf for instrument in instruments])
    decay_s = np.array([max(n.decay_s, n.written_decay_s) for n in performance.notes])
    damped_at_s = np.where(np.isinf(damper_s), np.inf, np.maximum(last_s - first_s, 0.0))
    damper_s = np.where(np.isinf(damper_s), 1.0, damper_s)
    ringing_s = stroke_fall_s(SILENT_DB, decay_s, damped_at_s, damper_s, room)
    silent_s = np.where(struck, first_s + ringing_s, last_s + fall_s(SILENT_DB, decay_s, room))
    return float(silent_s.max())


def _bar_after(tempo: TempoMap, bars: Sequence[Bar]) -> Fraction:
    """Seconds of a full bar that would follow the insert: its last meter in its last tempo."""
    end_us = tempo.us_per_quarter.values[-1]
    return bars[-1].meter.length_beats * Fraction(end_us, 1_000_000)

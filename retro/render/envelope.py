"""The loudness of tones over time: a rise, a level or a stroke, and the fall of their room.

The law is `retro.model.sound`; here it becomes the amplitude of many tones at many instants.

Conventions
-----------
Times are seconds on one timeline (insert time for what is played, window time for the target);
amplitudes are ratios to a tone's full level. Tones are arrays of shape (tones,), instants an
ascending one of shape (instants,); what some tones give there has shape (some, instants).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from retro.model.sound import (
    FloatArray,
    Room,
    energy_after_release,
    energy_after_stroke,
    fall_s,
    stroke_fall_s,
)
from retro.units import db_to_amplitude

IntArray = npt.NDArray[np.int64]
Single = npt.NDArray[np.float32]

RISE_S = 0.006
"""Length of the rise of a sustained tone; it is full 4 ms after it speaks."""

STROKE_RISE_S = 0.004
"""Length of the rise of a struck tone; shorter ones make any measured envelope ring."""

FOOT_DB = -40.0
"""Level of the noise of the attack just before a tone speaks (our own choice: as good as
inaudible beside the tone)."""

FADE_S = 0.02
"""Length of the fade with which a tone ends once it is 60 dB down."""

END_DB = 60.0
"""How far down a tone counts as silent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decay:
    """How tones fall silent: what they need of the law of `retro.model.sound`.

    Parameters
    ----------
    room
        The room of all of them.
    decay_s
        60 dB decay of every tone.
    damped_at_s
        For struck tones, time from speaking to the damper (``inf``: never); else None.
    damper_s
        For struck tones, 60 dB decay under the damper.
    """

    room: Room
    decay_s: FloatArray
    damped_at_s: FloatArray | None = None
    damper_s: FloatArray | None = None

    def fall_s(self, drop_db: float) -> FloatArray:
        """Seconds until every tone is that far down."""
        if self.damped_at_s is None or self.damper_s is None:
            return fall_s(drop_db, self.decay_s, self.room)
        return stroke_fall_s(drop_db, self.decay_s, self.damped_at_s, self.damper_s, self.room)

    def energy(self, some: IntArray, t_s: Single) -> Single:
        """Energy of some tones, `t_s` seconds after each begins to fall; shape (some, instants)."""
        decay_s = _column(self.decay_s, some)
        if self.damped_at_s is None or self.damper_s is None:
            energy = energy_after_release(t_s, decay_s, self.room)
        else:
            damped_at_s, damper_s = _column(self.damped_at_s, some), _column(self.damper_s, some)
            energy = energy_after_stroke(t_s, decay_s, damped_at_s, damper_s, self.room)
        return np.asarray(energy, dtype=np.float32)


def _column(values: FloatArray, some: IntArray) -> Single:
    return values[some, np.newaxis].astype(np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelopes:
    """Amplitudes of tones over time.

    Parameters
    ----------
    start_s
        Where the players begin.
    rise_from_s, rise_s
        Where the tones themselves begin to rise, and how long it takes.
    falls_from_s
        From where `decay` holds.
    silent_s
        Where the tones are `END_DB` down.
    """

    start_s: FloatArray
    rise_from_s: FloatArray
    rise_s: float
    falls_from_s: FloatArray
    decay: Decay
    silent_s: FloatArray

    @property
    def begin_s(self) -> FloatArray:
        """Before this there is nothing."""
        return np.minimum(self.start_s, self.rise_from_s)

    @property
    def end_s(self) -> FloatArray:
        """After this there is nothing."""
        return np.asarray(self.silent_s + FADE_S)

    def energy_at(self, some: IntArray, t_s: FloatArray) -> Single:
        """Energy by the law alone, 1 until the tones fall; single precision."""
        energy = np.ones((some.size, t_s.size), dtype=np.float32)
        falling = np.flatnonzero(self.falls_from_s[some] < t_s[-1])
        of = some[falling]
        since_s = np.maximum(t_s - self.falls_from_s[of, np.newaxis], 0.0).astype(np.float32)
        energy[falling] = self.decay.energy(of, since_s)
        return energy

    def shape(self, some: IntArray, t_s: FloatArray, energy: Single) -> Single:
        """Amplitude at some instants, from the energy there."""
        amplitude = np.sqrt(energy)
        full_s, end_s = self.rise_from_s + self.rise_s, self.end_s
        begin, full, silent, end = (
            np.searchsorted(t_s, at_s[some])
            for at_s in (self.begin_s, full_s, self.silent_s, end_s)
        )
        amplitude[_spans(np.zeros_like(begin), begin)] = 0.0
        amplitude[_spans(end, np.full_like(end, t_s.size))] = 0.0
        rising = _spans(begin, full)
        of, at_s = some[rising[0]], t_s[rising[1]]
        risen = np.clip((at_s - self.rise_from_s[of]) / self.rise_s, 0.0, 1.0)
        foot_s = np.maximum(full_s - self.start_s, self.rise_s)[of]
        foot = np.clip((at_s - self.start_s[of]) / foot_s, 0.0, 1.0) ** 2
        amplitude[rising] *= np.maximum(
            np.sin(0.5 * np.pi * risen) ** 2, db_to_amplitude(FOOT_DB) * foot
        )
        fading = _spans(silent, end)
        left_s = end_s[some[fading[0]]] - t_s[fading[1]]
        amplitude[fading] *= left_s / FADE_S
        return amplitude


def _spans(first: IntArray, last: IntArray) -> tuple[IntArray, IntArray]:
    """Give the places of a span of instants in every row, as rows and instants."""
    counts = np.maximum(last - first, 0)
    row = np.repeat(np.arange(counts.size), counts)
    return row, np.arange(row.size) + (first - np.cumsum(counts) + counts)[row]


def sustained(
    *,
    start_s: FloatArray,
    speaks_s: FloatArray,
    stop_s: FloatArray,
    onset_db: float,
    decay: Decay,
) -> Envelopes:
    """Give tones that are held until `stop_s`; they are `onset_db` below full at `speaks_s`."""
    crossing = 2.0 / np.pi * np.arcsin(np.sqrt(db_to_amplitude(-onset_db)))
    let_go_s = np.maximum(stop_s, speaks_s)
    return Envelopes(
        start_s=start_s,
        rise_from_s=speaks_s - crossing * RISE_S,
        rise_s=RISE_S,
        falls_from_s=let_go_s,
        decay=decay,
        silent_s=let_go_s + decay.fall_s(END_DB),
    )


def struck(*, start_s: FloatArray, speaks_s: FloatArray, decay: Decay) -> Envelopes:
    """Give tones that are full at `speaks_s` and decay from there on."""
    return Envelopes(
        start_s=start_s,
        rise_from_s=speaks_s - STROKE_RISE_S,
        rise_s=STROKE_RISE_S,
        falls_from_s=speaks_s,
        decay=decay,
        silent_s=speaks_s + decay.fall_s(END_DB),
    )

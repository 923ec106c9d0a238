"""The amplitude of many tones at many instants, for their sound.

The law is `retro.model.tones`; here it is worked out in single precision and only where a tone
still changes.

Conventions
-----------
Times are seconds on one timeline (insert time for what is played, window time for the target);
amplitudes are ratios to a tone's full level. Tones are arrays of shape (tones,), instants an
ascending one of shape (instants,); what some tones give there has shape (some, instants).
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from retro.model.levels import Levels
from retro.model.sound import (
    FloatArray,
    built_up,
    energy_after_release,
    energy_after_stroke,
    energy_while_held,
    fall_s,
    risen,
    stroke_fall_s,
)
from retro.model.tones import IntArray, Look, Tones

Single = npt.NDArray[np.float32]

MIN_ATTACK_S = 0.003
"""Shortest attack that is rendered: a quicker one lies between the nodes of the sound."""

SETTLED_ATTACKS = 9.0
SETTLED_ROOMS = 0.8
"""After so many attacks a tone has risen, and after so many reverberation times its room is full,
within 0.001 dB."""

FADE_S = 0.02
"""Length of the fade with which a tone ends once it is 60 dB down."""

END_DB = 60.0
"""How far down a tone counts as silent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelopes:
    """Amplitudes of tones over time, all of them struck or all of them held.

    Parameters
    ----------
    tones
        The tones; their levels are left to the mix.
    are_struck
        Whether they are struck.
    silent_s
        Where they are `END_DB` down.
    """

    tones: Tones
    are_struck: bool
    silent_s: FloatArray

    @classmethod
    def of(cls, tones: Tones, *, are_struck: bool) -> "Envelopes":
        """Return the envelopes of tones of one kind."""
        tones = replace(tones, attack_s=np.maximum(tones.attack_s, MIN_ATTACK_S))
        if not are_struck:
            falls_s = fall_s(END_DB, tones.decay_s, tones.room)
            silent_s = np.maximum(tones.stop_s, tones.start_s) + falls_s
        else:
            damped_at_s, damper_s = tones.damping
            rings_s = stroke_fall_s(END_DB, tones.decay_s, damped_at_s, damper_s, tones.room)
            silent_s = tones.start_s + rings_s
        return cls(tones=tones, are_struck=are_struck, silent_s=np.asarray(silent_s))

    @property
    def begin_s(self) -> FloatArray:
        """Before this there is nothing."""
        return self.tones.start_s

    @property
    def end_s(self) -> FloatArray:
        """After this there is nothing."""
        return np.asarray(self.silent_s + FADE_S)

    @property
    def peak(self) -> Single:
        """The greatest amplitude of every tone where nothing is turned down."""
        level = replace(self.tones, levels=Levels(()))
        return np.sqrt(Look.at(level).greatest).astype(np.float32)

    def fallen(self, some: IntArray, t_s: FloatArray) -> Single:
        """Return how far some tones have fallen, in energy: 1 until they fall."""
        energy = np.ones((some.size, t_s.size), dtype=np.float32)
        tones = self.tones
        from_s = tones.start_s if self.are_struck else tones.stop_s
        falling = np.flatnonzero(from_s[some] < t_s[-1])
        of = some[falling]
        since_s = np.maximum(t_s - from_s[of, np.newaxis], 0.0).astype(np.float32)
        decay_s = _column(tones.decay_s, of)
        if self.are_struck:
            damped_at_s, damper_s = (_column(figure, of) for figure in tones.damping)
            energy[falling] = energy_after_stroke(
                since_s, decay_s, damped_at_s, damper_s, tones.room
            )
        else:
            filled = built_up(_column(tones.held_s, of), tones.room)
            energy[falling] = energy_after_release(since_s, decay_s, tones.room, filled)
        return energy

    def shape(self, some: IntArray, t_s: FloatArray, fallen: Single) -> Single:
        """Return the amplitude at some instants, from how far the tones have fallen there."""
        energy = fallen.copy()
        self._rise(energy, some, t_s)
        amplitude = np.sqrt(energy)
        end_s = self.end_s
        begin, silent, end = (
            np.searchsorted(t_s, at_s[some]) for at_s in (self.begin_s, self.silent_s, end_s)
        )
        amplitude[_spans(np.zeros_like(begin), begin)] = 0.0
        amplitude[_spans(end, np.full_like(end, t_s.size))] = 0.0
        fading = _spans(silent, end)
        left_s = end_s[some[fading[0]]] - t_s[fading[1]]
        amplitude[fading] *= left_s / FADE_S
        return amplitude

    def _rise(self, energy: Single, some: IntArray, t_s: FloatArray) -> None:
        """Take from energies, in place, what is not there yet."""
        tones = self.tones
        settled_s = SETTLED_ATTACKS * tones.attack_s[some]
        if not self.are_struck and tones.room.share > 0.0:
            settled_s = np.maximum(settled_s, SETTLED_ROOMS * tones.room.reverberation_s)
        held_s = np.full(some.shape, np.inf) if self.are_struck else tones.held_s[some]
        is_rising = (tones.start_s[some] + settled_s > t_s[0]) | (held_s < settled_s)
        rising = np.flatnonzero(is_rising)
        of = some[rising]
        since_s = np.minimum(t_s - tones.start_s[of, np.newaxis], held_s[rising, np.newaxis])
        attack_s = _column(tones.attack_s, of)
        if self.are_struck:
            energy[rising] *= risen(since_s.astype(np.float32), attack_s)
        else:
            energy[rising] *= energy_while_held(since_s.astype(np.float32), attack_s, tones.room)


def _column(values: FloatArray, some: IntArray) -> Single:
    return values[some, np.newaxis].astype(np.float32)


def _spans(first: IntArray, last: IntArray) -> tuple[IntArray, IntArray]:
    """Return the places of a span of instants in every row, as rows and instants."""
    counts = np.maximum(last - first, 0)
    row = np.repeat(np.arange(counts.size), counts)
    return row, np.arange(row.size) + (first - np.cumsum(counts) + counts)[row]

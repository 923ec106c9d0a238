"""How a sampled tone rises and falls, as it was heard alone and dry.

A tone that is let go later begins in the same way, so one long tone tells how all of its pitch and
loudness begin.

Conventions
-----------
Channels are heard as one, their mean. Energies are means over windows that look into the sound
alone: before an instant while the tone is held, behind it once it is let go. A window is a period
of the tone, within limits. Energies are ratios to the greatest of the held tone, `HOP_S` apart,
from the note-on and from the note-off.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from retro.model.sound import FloatArray
from retro.units import pitch_to_hz, seconds_to_samples

HOP_S = 0.002
MIN_WINDOW_S, MAX_WINDOW_S = 0.004, 0.02
"""Windows are a period of the tone, between these."""

STEP_DB = 0.25
"""Energies are kept in steps of this, far finer than they are known."""

FLOOR = 255
"""Steps below the greatest that stand for silence."""

ENERGIES = np.append(10.0 ** (-STEP_DB / 10.0 * np.arange(FLOOR)), 0.0)
"""What steps stand for."""

SILENT = 1e-9
"""Energy, of full scale, below which nothing sounds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """The course of one tone: steps of `STEP_DB` below its greatest energy, a byte for each hop.

    `held` runs from the note-on to the note-off, `after` from there on.
    """

    held: bytes
    after: bytes

    @property
    def is_silent(self) -> bool:
        """Whether nothing sounded."""
        return not self.held

    @property
    def held_energy(self) -> FloatArray:
        """Energy of every hop while the tone is held."""
        return _energy(self.held)

    @property
    def after_energy(self) -> FloatArray:
        """Energy of every hop after it was let go."""
        return _energy(self.after)


def envelope_of(
    sound: npt.NDArray[np.floating],
    rate: int,
    *,
    pitch: int,
    on_s: float,
    off_s: float,
    end_s: float,
) -> Envelope:
    """Return the course of a tone, a MIDI pitch in sound of shape (frames, channels).

    It is begun at `on_s`, let go at `off_s` and heard alone until `end_s`.
    """
    window = seconds_to_samples(window_s(pitch), rate)
    energy = np.square(sound.mean(axis=1, dtype=float))
    sums = np.concatenate(([0.0], np.cumsum(energy)))
    first = seconds_to_samples(on_s, rate)
    held = _means(sums, _hops(on_s, off_s, rate), -window, first)
    after = _means(sums, _hops(off_s, end_s, rate), window, first)
    greatest = float(held.max(initial=0.0))
    if greatest <= SILENT:
        return Envelope(held=b"", after=b"")
    return Envelope(held=_steps(held / greatest), after=_steps(after / greatest))


def window_s(pitch: int) -> float:
    """Return the length of the window that a tone's energy is read over."""
    return min(max(1.0 / pitch_to_hz(pitch), MIN_WINDOW_S), MAX_WINDOW_S)


def _hops(start_s: float, stop_s: float, rate: int) -> npt.NDArray[np.int64]:
    """Return the frames of the hops of a span."""
    count = max(round((stop_s - start_s) / HOP_S), 1)
    return np.asarray(np.rint((start_s + np.arange(count) * HOP_S) * rate), dtype=np.int64)


def _means(sums: FloatArray, at: npt.NDArray[np.int64], window: int, first: int) -> FloatArray:
    """Return mean energies over windows behind some frames, before them where it is negative.

    Nothing before `first` counts.
    """
    last = sums.size - 1
    low = np.clip(np.minimum(at, at + window), first, last)
    high = np.clip(np.maximum(at, at + window), first, last)
    return np.asarray((sums[high] - sums[low]) / abs(window))


def _steps(energy: FloatArray) -> bytes:
    decibels = 10.0 * np.log10(np.maximum(energy, 1e-30))
    return np.clip(np.rint(-decibels / STEP_DB), 0, FLOOR).astype(np.uint8).tobytes()


def _energy(steps: bytes) -> FloatArray:
    return np.asarray(ENERGIES[np.frombuffer(steps, dtype=np.uint8)])

"""Where a bounce of a probe begins, and whether it is one.

Conventions
-----------
Sound is one channel. Times are seconds of the file.
"""

from collections.abc import Sequence

import numpy as np
from scipy.signal import correlate

from retro.errors import TakeError
from retro.model.sound import FloatArray
from retro.sounds.probe import ProbeTone, length_s
from retro.units import pitch_to_hz, seconds_to_samples

COARSE_S = 0.01
MAX_LATE_S = 120.0
"""Latest start that is looked for."""

MAX_MISSING_S = 30.0
"""Most of a probe's start that is seen to be missing."""

EARLY_S = 0.05
"""A file may begin so much after the probe's own start: a player's latency, turned round."""

SPARE_S = 1.0
"""How much of the silence after the last tone may be missing."""

MIN_LIKENESS = 0.6
"""Correlation of when it sounds with when it should, below which a file is another."""

ROUNDING = 1e-6
"""Places whose correlations differ by less are alike, as where a player is missing; the nearest to
the file's start is taken."""

RANGE_DB = 25.0
"""Levels further down than this below the loud ones count as silence."""

HARMONICS = 4
NEIGHBOURS = (-6, -5, -3, 3, 5, 6)
"""Semitones at which a tone should not sound, as far from its own harmonics as may be."""

MIN_IN_TUNE = 0.6
"""Share of the tones that have to have their pitches."""


def start_of(
    sound: FloatArray, rate: int, tones: Sequence[ProbeTone], where: str | None = None
) -> float:
    """Return the second of a file at which its probe begins, to about `COARSE_S`.

    Raises
    ------
    TakeError
        If it sounds when the probe is silent, or in other pitches, or its start or end is cut.
    """
    if sound.size / rate < length_s(tones) - SPARE_S:
        raise TakeError(
            f"lasts {sound.size / rate:.1f} s, the probe {length_s(tones):.1f} s: it is cut",
            where=where,
            advice="bounce the probe from its first bar to its end",
        )
    step = seconds_to_samples(COARSE_S, rate)
    count = sound.size // step
    energy = np.square(sound[: count * step]).reshape(count, step).mean(axis=1)
    if not energy.any():
        raise TakeError("is silent", where=where)
    level_db = 10.0 * np.log10(np.maximum(energy, 1e-12))
    top_db = float(np.percentile(level_db, 95))
    heard = np.clip((level_db - top_db) / RANGE_DB + 1.0, 0.0, 1.0)
    asked = np.zeros(round(length_s(tones) / COARSE_S))
    for tone in tones:
        asked[round(tone.on_s / COARSE_S) : round(tone.off_s / COARSE_S)] = 1.0
    # Beyond the file's ends there is silence, so that a start or an end that was cut is seen.
    early = round(MAX_MISSING_S / COARSE_S)
    latest = round(MAX_LATE_S / COARSE_S)
    padded = np.concatenate((np.zeros(early), heard, np.zeros(asked.size)))
    likeness = _likeness(padded, asked)[: early + latest]
    alike = np.flatnonzero(likeness > likeness.max() - ROUNDING)
    best = int(alike[np.abs(alike - early).argmin()])
    if likeness[best] < MIN_LIKENESS:
        raise TakeError(
            "does not sound when the probe does: it is another file, or other things sound with it",
            where=where,
            advice="bounce the probe alone, with nothing else",
        )
    start_s = (best - early) * COARSE_S
    if start_s < -EARLY_S and start_s + tones[0].on_s < EARLY_S:
        raise TakeError(
            "begins after the probe's first tone",
            where=where,
            advice="bounce from the probe's first bar",
        )
    if start_s + length_s(tones) - SPARE_S > sound.size / rate:
        raise TakeError(
            "ends before the probe does", where=where, advice="bounce the probe to its end"
        )
    _refuse_other_pitches(sound, rate, tones, start_s, where)
    return start_s


def _likeness(heard: FloatArray, asked: FloatArray) -> FloatArray:
    """Return the correlation at every place at which `asked` may begin."""
    shape = asked - asked.mean()
    sums = correlate(heard, shape, mode="valid", method="fft")
    ones = np.ones(asked.size)
    means = correlate(heard, ones, mode="valid", method="fft") / asked.size
    squares = correlate(heard * heard, ones, mode="valid", method="fft") / asked.size
    spread = np.sqrt(np.maximum(squares - means * means, 1e-9))
    return np.asarray(sums / (asked.size * spread * asked.std()))


def _refuse_other_pitches(
    sound: FloatArray, rate: int, tones: Sequence[ProbeTone], start_s: float, where: str | None
) -> None:
    pitched = [tone for tone in tones if not tone.is_unpitched]
    wrong = [tone for tone in pitched if not _is_in_tune(sound, rate, tone, start_s)]
    if pitched and len(wrong) > (1.0 - MIN_IN_TUNE) * len(pitched):
        raise TakeError(
            f"{len(wrong)} of {len(pitched)} tones have not the pitches of the probe, the first of "
            f"{wrong[0].player}",
            where=where,
            advice="give the probe that was bounced",
        )


def _is_in_tune(sound: FloatArray, rate: int, tone: ProbeTone, start_s: float) -> bool:
    """Return whether a tone sounds at its own harmonics, or an octave off, and not beside them."""
    first = seconds_to_samples(start_s + tone.on_s, rate)
    piece = sound[max(first, 0) : first + seconds_to_samples(max(tone.held_s, 0.25), rate)]
    size = 1 << max(int(np.ceil(np.log2(rate / 2.0))), int(np.ceil(np.log2(max(piece.size, 2)))))
    spectrum = np.square(np.abs(np.fft.rfft(piece * np.hanning(piece.size), size)))

    def strength(semitones: float) -> float:
        hz = pitch_to_hz(tone.pitch + semitones) * np.arange(1, HARMONICS + 1)
        bins = np.rint(hz[hz < 0.45 * rate] * size / rate).astype(int)
        wide = max(round(size * 3.0 / rate), 1)
        return float(sum(spectrum[at - wide : at + wide + 1].sum() for at in bins))

    own = max(strength(0.0), strength(12.0), strength(-12.0))
    return own > max(strength(float(semitones)) for semitones in NEIGHBOURS)

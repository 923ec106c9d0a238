"""What is missing at the end of a take against the other takes: whether some players let go early.

Where a section lets go before the others, the level of a microphone falls by 3 dB or less, as it
does by the beats of three desks, too. But each partial that was the section's own is gone, and the
beats of many partials are not all low at once. So the spectrum just before the written release is
held, bin by bin in dB, against the same of the other takes, and what is missing is the mean over
all bins. Loud bins count a little more: most of what others play is in all of them.

What is compared lies so far before the release that players who let go 0.1 s early still hold their
tones. Each take's own spectrum while tones are held is taken off: its level does not matter.

Conventions
-----------
Spectra are logarithms of energy, shape (frames, bins): a frame every `HOP_S` from `FIRST_S` to
`LAST_S` after the written release, as late as the players are.
"""

import math
from collections.abc import Mapping, Sequence

import numpy as np
import soxr

from retro.measuring.listen import Sounding
from retro.measuring.release import written_tones
from retro.model.sound import FloatArray
from retro.read.plan_file import PlanFile
from retro.units import nearest, seconds_to_samples

RATE, WINDOW_SAMPLES, HOP_S = 12_000, 1024, 0.02
FIRST_S, LAST_S = -0.75, -0.11
HELD_UNTIL_S, FALLEN_FROM_S = -0.32, -0.2
"""Until when a take's own spectrum is taken, and from when on it is compared."""

HZ = (47.0, 5_620.0)
"""Which bins are compared."""

MARGIN_S = 0.1
"""What is read more on both sides, so that no edge rings into a frame."""

MIN_HELD_S = 0.5
"""Players whose last tone is shorter do not hold it."""

LOUDNESS, HIDDEN_DB = 0.25, 60.0
"""By which power of its energy a bin counts, and how far below the loudest it does not."""

MIN_MISSING_DB, MIN_IN_SECOND_DB = 1.95, 0.7
"""How much is missing in the mean of the two microphones that miss most, and in each at least."""

BEGUN = 0.3
"""What share of what is missing in the end is not yet missing when the first let go."""

MIN_MICROPHONES, MIN_OTHERS = 2, 2
LOG_DB = 10.0 / math.log(10.0)
SILENT = 1e-12
"""Energy that is added, so that silence has a level."""


def held_together_s(plan: PlanFile) -> float | None:
    """Return where the last sustained tones are written to end; None where nothing can be compared.

    That is where they are not held, or where anyone begins a tone while they should be.
    """
    tones = written_tones(plan)
    held = [tone for tone in tones if tone.is_sustained]
    end_s = max((tone.off_s for tone in held), default=0.0)
    if any(end_s + HELD_UNTIL_S < tone.on_s < end_s for tone in tones):
        return None
    is_held = all(end_s - tone.on_s >= MIN_HELD_S for tone in held if tone.off_s == end_s)
    return end_s if held and is_held else None


def ending(sounding: Sounding, end_s: float, *, lateness_s: float) -> FloatArray:
    """Return the spectrum before a release, shape (frames, bins).

    Parameters
    ----------
    end_s
        Where it is written.
    lateness_s
        How late the players are.
    """
    first_s = end_s + lateness_s + FIRST_S - MARGIN_S
    length_s = LAST_S - FIRST_S + HOP_S + 2.0 * MARGIN_S
    heard = sounding.span(first_s, seconds_to_samples(length_s, sounding.rate))
    slow = np.pad(soxr.resample(heard, sounding.rate, RATE), (0, WINDOW_SAMPLES))
    frames = np.lib.stride_tricks.sliding_window_view(slow, WINDOW_SAMPLES)
    begins = nearest(MARGIN_S * RATE) - WINDOW_SAMPLES // 2
    frames = frames[begins :: nearest(HOP_S * RATE)][: _times_s().size]
    spectrum = np.fft.rfft(frames * np.hanning(WINDOW_SAMPLES))
    hz = np.fft.rfftfreq(WINDOW_SAMPLES, 1.0 / RATE)
    kept = spectrum[:, (hz >= HZ[0]) & (hz <= HZ[1])]
    return np.asarray(np.log(kept.real**2 + kept.imag**2 + SILENT))


def missing_early_s(
    endings: Mapping[str, FloatArray], others: Sequence[Mapping[str, FloatArray]]
) -> float | None:
    """Return how much too early some players let go; None where nothing is missing at the end.

    Parameters
    ----------
    endings
        The spectrum before the release in each microphone.
    others
        The same of every other take.
    """
    if len(others) < MIN_OTHERS:
        return None
    courses_db = [
        _missing_db(own, [other[microphone] for other in others])
        for microphone, own in endings.items()
        if all(microphone in other for other in others)
    ]
    courses_db.sort(key=_in_the_end_db, reverse=True)
    most_db = courses_db[:MIN_MICROPHONES]
    if len(most_db) < MIN_MICROPHONES or _in_the_end_db(most_db[-1]) < MIN_IN_SECOND_DB:
        return None
    together_db = np.mean(most_db, axis=0)
    missing_db = _in_the_end_db(together_db)
    if missing_db < MIN_MISSING_DB:
        return None
    still_there = np.flatnonzero(together_db[:-1] < BEGUN * missing_db)
    return -float(_times_s()[still_there[-1]]) - 0.5 * HOP_S


def _missing_db(own: FloatArray, others: Sequence[FloatArray]) -> FloatArray:
    """Return how much less is heard than in other takes, frame by frame."""
    is_held = _times_s() < HELD_UNTIL_S
    usual = np.median(others, axis=0)
    held = usual[is_held].mean(axis=0)
    is_loud = held > held.max() - HIDDEN_DB / LOG_DB
    counts = np.where(is_loud, np.exp(LOUDNESS * held), 0.0)
    missing_db = LOG_DB * (usual - own) @ (counts / counts.sum())
    return np.asarray(missing_db - missing_db[is_held].mean())


def _in_the_end_db(missing_db: FloatArray) -> float:
    return float(missing_db[_times_s() > FALLEN_FROM_S].mean())


def _times_s() -> FloatArray:
    return np.arange(FIRST_S, LAST_S + 0.5 * HOP_S, HOP_S)

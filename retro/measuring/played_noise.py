"""Noises while people play: what is heard in one take, and at the same place in no other.

Takes of one insert are alike but for human differences: moments, loudness, strokes. The level in
third octaves is held against the most that the other takes have within a tenth of a second. What
is left is scatter: it is greater in some bands and microphones than in others, and its own size is
taken off. A noise stands above what is left in several bands and in two microphones at once.

That is done twice. Tones fill a few places of a spectrum, most noises all of them: the softer bins
of a band tell much softer noises than the band as a whole, but for those that are tones themselves.
For half a second after the last release, where no tail falls steadily yet, the softer bins alone
tell: a tone that is held for longer fills few places.

Where nobody plays for long enough, a noise is heard as in a tail, without any other take.

Conventions
-----------
Times are insert time in seconds. Levels have shape (2 microphones, frames, bands), in dB: of whole
bands in every microphone, then of their softer bins.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
from scipy.ndimage import maximum_filter1d

from retro.measuring.listen import Sounding
from retro.measuring.noise import (
    HOP_S,
    WINDOW_S,
    Noise,
    Where,
    band_energies,
    quiet_energies,
    stretches,
)
from retro.measuring.tail_noise import FLOOR, tail_noises
from retro.model.sound import FloatArray
from retro.read.plan_file import PlanFile
from retro.units import db_to_energy

EDGES_HZ = tuple(1_000.0 * 2.0 ** ((third - 0.5) / 3.0) for third in range(-7, 12))
"""Edges of the third octaves that are listened to, 200 Hz to 10 kHz (centres as in IEC 61260-1)."""

LOUD_PERCENT, RANGE_DB = 75.0, 50.0
"""What share of the moments is softer than the loud ones, which a noise does not move; and how far
below those nothing is heard."""

REACH_S = 0.1
"""So far apart in time the same tone may begin and end in two takes."""

TONES_WINDOW_S = 0.17
"""Long enough that partials stand apart: at 6 Hz."""

AFTER_S = 0.5
"""How long after the last release takes are still compared."""

BANDS, QUIET_BANDS = 3, 4
"""In so many bands a noise stands out at least: as a whole, and in their softer bins."""

SCATTER_PERCENT = 95.0
"""The share of moments that may differ by what people do: what these differ by at most is taken
off."""

MIN_OVER_DB, MIN_OVER_ONE_DB = 8.5, 11.0
MIN_QUIET_DB, MIN_QUIET_ONE_DB = 4.5, 6.5
"""How far a noise stands out, against several other takes and against one. Made orchestra, FluidR3
bank: 1 % of takes without a noise reach 7.3 and 11.9 by whole bands, 2.9 and 5.0 by softer bins."""

BEGUN_SHARE = 0.4
"""A noise lasts while it stands out by such a share of what it must once."""

LONE_DB = 5.0
"""How much more it is where one microphone alone hears it."""

JOINED_S = 0.12
"""What is closer is one noise."""

MAX_SHARE = 0.25
"""Takes that differ in more of their time are not alike: nothing can be told."""

REST_MARGIN_S = 0.1
"""How long before the next note a rest is no longer listened to."""

CLICK_S, CLICK_AFTER_S = 0.2, 0.15
"""A noise that is shorter and begins so soon after a click may be the click in headphones."""


def levels_db(
    microphones: Sequence[Sounding], start_s: float, end_s: float, *, release_s: float = np.inf
) -> FloatArray:
    """Return the level in third octaves from `start_s` on; every frame has its time in its middle.

    Bands above half of a microphone's rate are left out in all, and moments close to the end of a
    file: where tones are cut off, all places of a spectrum are filled. After `release_s` the softer
    bins stand for whole bands, too.
    """
    end_s = min(end_s, *(one.end_s - TONES_WINDOW_S / 2.0 for one in microphones))
    frames = max(int((end_s - start_s) / HOP_S), 0)
    whole = _levels_db(
        [band_energies(one, start_s - WINDOW_S / 2.0, frames, EDGES_HZ) for one in microphones]
    )
    quiet_s = start_s - TONES_WINDOW_S / 2.0
    quiet = _levels_db(
        [quiet_energies(one, quiet_s, frames, EDGES_HZ, TONES_WINDOW_S) for one in microphones]
    )
    released = start_s + HOP_S * np.arange(frames) >= release_s
    whole[:, released] = quiet[:, released]
    return np.concatenate([whole, quiet])


def _levels_db(every: Sequence[FloatArray]) -> FloatArray:
    bands = min(energy.shape[1] for energy in every)
    heard = np.stack([energy[:, :bands] for energy in every])
    if not heard.shape[1]:
        return heard
    loud = np.percentile(heard.sum(axis=2), LOUD_PERCENT, axis=1)[:, None, None]
    floor = loud * db_to_energy(-RANGE_DB) + FLOOR
    return np.asarray(10.0 * np.log10(np.maximum(heard, floor)))


def played_noises(
    takes: Sequence[FloatArray], starts_s: Sequence[float], names: Sequence[str]
) -> list[tuple[Where, ...] | None]:
    """Return the noises of every take, held against all others, in order of time.

    None where nobody can tell: there is no other take, or it is not like them.

    Parameters
    ----------
    takes
        Levels from the same place of the music on. A take that ends earlier has fewer frames.
    starts_s
        When that is in each.
    names
        Of the microphones.
    """
    if sum(take.shape[1] > 0 for take in takes) < 2:
        return [None for _ in takes]
    against = [_against(one, [other for other in takes if other is not one]) for one in takes]
    overs = [over for over, _ in against]
    scatter = _scatter(overs)
    return [
        _noises(over - scatter, over, counts, start_s, names)
        for (over, counts), start_s in zip(against, starts_s, strict=True)
    ]


def _against(one: FloatArray, others: Sequence[FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Return how far a take stands above the others, and how many of them each frame has.

    Where there is none, it stands nowhere.
    """
    most = np.full_like(one, np.inf)
    counts = np.zeros(one.shape[1], dtype=int)
    reach = 2 * round(REACH_S / HOP_S) + 1
    for other in others:
        shared = min(one.shape[1], other.shape[1])
        if not shared:
            continue
        here, there = one[:, :shared], other[:, :shared]
        wide = maximum_filter1d(there, reach, axis=1) + _louder_db(here, there)
        is_first = counts[:shared] == 0
        most[:, :shared] = np.where(is_first[:, None], wide, np.maximum(most[:, :shared], wide))
        counts[:shared] += 1
    return one - most, counts


def _louder_db(here: FloatArray, there: FloatArray) -> FloatArray:
    """Return how much louder one take is than another in every microphone, where it is loud."""
    apart = [
        np.median((own - other)[other >= np.median(other)])
        for own, other in zip(here, there, strict=True)
    ]
    return np.array(apart)[:, None, None]


def _scatter(overs: Sequence[FloatArray]) -> FloatArray:
    """Return what people differ by, in every microphone and band, of the take in the middle.

    A noise is in one take; what it does to the scatter there must not count.
    """
    every = [
        np.percentile(np.maximum(over, 0.0), SCATTER_PERCENT, axis=1, keepdims=True)
        for over in overs
        if over.shape[1]
    ]
    return np.asarray(np.sort(np.stack(every), axis=0)[(len(every) - 1) // 2])


def _noises(
    clear: FloatArray, over: FloatArray, counts: FloatArray, start_s: float, names: Sequence[str]
) -> tuple[Where, ...] | None:
    if not len(counts):
        return ()
    is_one = counts == 1
    least_db = np.where(is_one, MIN_OVER_ONE_DB, MIN_OVER_DB)
    least_quiet_db = np.where(is_one, MIN_QUIET_ONE_DB, MIN_QUIET_DB)
    stands, quiet = _stands(clear)
    share = np.maximum(_together(stands) / least_db, _together(quiet) / least_quiet_db)
    if np.mean(share >= 1.0) > MAX_SHARE:
        return None
    clearer = np.maximum(stands / least_db, quiet / least_quiet_db)
    over_db = np.maximum(*_stands(over))
    return tuple(
        _noise(clearer[:, first:last], over_db[:, first:last], start_s + first * HOP_S, names)
        for first, last in _joined(stretches(share >= BEGUN_SHARE))
        if share[first:last].max() >= 1.0
    )


def _stands(over: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return how far every microphone stands out, by whole bands and by their softer bins."""
    whole, quiet = np.split(np.sort(over, axis=2), 2)
    return whole[:, :, -BANDS], quiet[:, :, -QUIET_BANDS]


def _together(stands: FloatArray) -> FloatArray:
    """Return how far two microphones stand out, or one alone by as much more."""
    loud = np.sort(stands, axis=0)
    alone = loud[-1] - LONE_DB
    return np.asarray(np.maximum(alone, loud[-2]) if len(loud) > 1 else alone)


def _noise(clearer: FloatArray, over_db: FloatArray, at_s: float, names: Sequence[str]) -> Where:
    microphone = int(np.argmax(clearer.max(axis=1)))
    noise = Noise(
        at_s=at_s,
        end_s=at_s + clearer.shape[1] * HOP_S,
        over_db=float(over_db[microphone].max()),
    )
    return noise, names[microphone]


def _joined(found: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for first, last in found:
        if joined and (first - joined[-1][1]) * HOP_S < JOINED_S:
            joined[-1] = joined[-1][0], last
        else:
            joined.append((first, last))
    return joined


def rest_noises(sounding: Sounding, plan: PlanFile, late_s: float) -> Iterator[Noise]:
    """Yield the noises where nobody plays, without those that clicks in headphones may be."""
    clicks_s = np.array(plan.clicks_s)
    for released_s, next_s in _rests(plan):
        until_s = next_s + late_s - REST_MARGIN_S
        for noise in tail_noises(sounding, released_s + late_s, until_s=until_s):
            after_s = noise.at_s - clicks_s
            is_click = np.any((after_s > -WINDOW_S) & (after_s < CLICK_AFTER_S))
            if not (is_click and noise.end_s - noise.at_s < CLICK_S):
                yield noise


def _rests(plan: PlanFile) -> Iterator[tuple[float, float]]:
    """Yield from when to when nobody plays between notes, as played or as written."""
    seconds_at = plan.insert_tempo.seconds_at
    held = sorted(
        (
            min(note.played_on_s, float(seconds_at(note.written_on_beats))),
            max(note.played_off_s, float(seconds_at(note.written_off_beats))),
        )
        for note in plan.notes
    )
    for (_, released_s), (next_s, _) in pairwise(_sounding(held)):
        yield released_s, next_s


def _sounding(held: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return from when to when anybody plays, of notes in order of their beginning."""
    spans: list[tuple[float, float]] = []
    for on_s, off_s in held:
        if spans and on_s <= spans[-1][1]:
            spans[-1] = spans[-1][0], max(spans[-1][1], off_s)
        else:
            spans.append((on_s, off_s))
    return spans

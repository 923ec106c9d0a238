"""Where a group rises out of what sounds on: in the partials of its pitches.

Method. About each group the energy near the partials of its pitches is followed through windows
that are long enough to part neighbouring partials. What sounded there before, dying away with the
room from the attack on, is taken away, and the rest is added up. A partial counts the less the more
sounded there before against what the group brings. A background as strong as the threshold is as
restless as the threshold is high: such a partial counts half (Wiener's weight). The group is heard
where the sum first passes the threshold below its greatest energy, after it was well below for the
last time: players who beat against each other may dip under it once more.

The higher a group, the further its partials lie apart and the shorter are the windows: they blur
the rise less, and a tone whose pitch settles late is heard nevertheless.

Two things are put right. A window makes a rise look longer and its start earlier; by how much
follows from the rise law and the rise that is seen (`_early_by_s`). It also hides the peaks that
the level of a group is read at. How far these stand above what the waves reach everywhere within a
period of the lowest tones is seen in the whole sound (`_peak_over_waves`).

How far the reading may be off follows from the partials themselves: they are drawn anew from their
own number, many times (the bootstrap, Efron 1979, from memory), and each time the crossing is
looked for. Where few are clear, or notes that begin apart are heard in different ones, the
crossings lie apart. But partials that are all heard are no sample: their sum is what is looked for.
So the deviation shrinks with the share of the energy that is hidden (the correction for finite
populations in sampling, Cochran 1977, from memory).

Conventions
-----------
Times are seconds after the place where a group is looked for. Arrays have shape (frames, bins) or
(draws, frames).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d

from retro.measuring.groups import LEVEL_S, MIN_LEVEL_S, NEAR_S, Group
from retro.measuring.identify import ExpectedAttack
from retro.measuring.listen import Sounding
from retro.measuring.lone import HOP_S as SHORT_HOP_S
from retro.measuring.lone import short_energy
from retro.measuring.settle import RIPPLE_S
from retro.model.sound import FloatArray, risen
from retro.units import db_to_energy, nearest, pitch_to_hz, seconds_to_samples

WINDOW_S, HOP_S = 0.085, 0.008
MIN_WINDOW_S, WINDOW_PERIODS, WINDOW_STEP_S = 0.03, 18.0, 0.005
"""The longest window, and the shortest: so many periods of a group's lowest tone, to a step. That
parts its partials from those of neighbouring tones, and blurs the rise no more than it must."""

BEFORE_S, AFTER_S = 0.32, 0.60
"""How far before and after its expected place a group is followed."""

BACKGROUND_S, RISEN_S = (-0.16, -0.06), (0.05, 0.17)
"""Where a bin is compared before and after the attack, about the common lateness."""

CLEAR_OF_BEFORE_S, MIN_BACKGROUND_S = 0.08, 0.03
"""How long after the group before the background begins, and how long it is at least."""

LEVEL_FRAMES = 3
"""Frames over which the greatest energy is averaged."""

WELL_BELOW = 0.5
"""What share of the threshold is so far below it that the group has not begun."""

PARTIALS, MAX_HZ = 12, 6_000.0
DRAWS = 24
MIN_PEAK, MAX_PEAK = 0.8, 2.0
"""Within what a peak stands above the waves; beyond, something else was seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """A group as it was followed.

    Parameters
    ----------
    energy, bands
        Energy of each bin, and which band of neighbouring bins it belongs to.
    short
        Energy of the whole sound, as `retro.measuring.lone.short_energy` gives it.
    window_s
        How long the windows are.
    length_s
        How long the group's longest note lasts.
    after_last_s
        How long after the group before it is written.
    """

    energy: FloatArray
    bands: npt.NDArray[np.int64]
    short: FloatArray
    window_s: float
    length_s: float
    after_last_s: float


def follow(
    sounding: Sounding, group: Group, coarse_s: float, *, after_last_s: float = np.inf
) -> Followed:
    """Return the energy near the partials of a group, about `coarse_s` late."""
    rate = sounding.rate
    window_s = _window_s(group)
    size = seconds_to_samples(window_s, rate)
    times_s = _times_s()
    starts = np.array([seconds_to_samples(at_s - times_s[0], rate) for at_s in times_s])
    first_s = group.at_s + coarse_s + times_s[0]
    sound = sounding.span(first_s - 0.5 * size / rate, int(starts[-1]) + size)
    frames = np.lib.stride_tricks.sliding_window_view(sound, size)[starts]
    bins = partial_bins(group.attacks, size, rate)
    spectrum = np.fft.rfft(frames * np.hanning(size), axis=1)[:, bins]
    return Followed(
        energy=np.asarray(spectrum.real**2 + spectrum.imag**2),
        bands=np.cumsum(np.diff(bins, prepend=bins[:1]) > 1),
        short=short_energy(sounding, first_s, times_s[-1] - times_s[0]),
        window_s=window_s,
        length_s=group.length_s,
        after_last_s=after_last_s,
    )


def heard_late(
    followed: Followed,
    common_s: float,
    *,
    onset_db: float,
    reverberation_s: float,
    own_share: float = 1.0,
) -> tuple[float, float] | None:
    """Return how late a group is from where it was looked for, and the deviation of that.

    Parameters
    ----------
    common_s
        How late the others are.
    onset_db
        How far below its level a group is heard to begin.
    reverberation_s
        How long the room rings, about.
    own_share
        What share of the energy that it seems to reach is its own.
    """
    times_s = _times_s() - common_s
    threshold = db_to_energy(-onset_db)
    seen = _rise(followed, times_s, threshold, reverberation_s)
    if seen is None:
        return None
    rise, hidden = seen
    until_s = max(min(LEVEL_S, followed.length_s), MIN_LEVEL_S)
    chance = np.random.default_rng(0)
    bands = rise.shape[1]
    drawn = chance.multinomial(bands, np.full(bands, 1.0 / bands), size=DRAWS)
    rises = np.asarray(np.concatenate((np.ones((1, bands)), drawn)) @ rise.T, dtype=float)
    threshold *= own_share * _peak_over_waves(followed, common_s, until_s)
    early_by_s = _early_by_s(round(threshold, 2), followed.window_s)
    passes_s = common_s + _passes_s(rises, times_s, until_s, round(threshold, 2), early_by_s)
    found_s = float(passes_s[0])
    if not abs(found_s - common_s) <= NEAR_S:
        return None
    anywhere_s = common_s + chance.uniform(-NEAR_S, NEAR_S, DRAWS + 1)
    passes_s = np.where(np.isnan(passes_s), anywhere_s, passes_s)[1:]
    low_s, high_s = np.percentile(passes_s, [16, 84])
    sampled_s = 0.5 * (high_s - low_s) * np.sqrt(hidden)
    return found_s, float(np.hypot(sampled_s, 0.5 * RIPPLE_S))


def _times_s() -> FloatArray:
    """Return when the frames of a group lie, from where it is looked for."""
    return np.asarray(np.arange(-round(BEFORE_S / HOP_S), round(AFTER_S / HOP_S) + 1) * HOP_S)


def _window_s(group: Group) -> float:
    lowest_hz = pitch_to_hz(min(attack.pitch for attack in group.attacks))
    window_s = WINDOW_STEP_S * nearest(WINDOW_PERIODS / lowest_hz / WINDOW_STEP_S)
    return float(np.clip(window_s, MIN_WINDOW_S, WINDOW_S))


def partial_bins(
    attacks: Sequence[ExpectedAttack], size: int, rate: int, *, partials: int = PARTIALS
) -> npt.NDArray[np.int64]:
    """Return the bins at the first partials of some attacks, and their neighbours."""
    base_hz = np.array([pitch_to_hz(attack.pitch) for attack in attacks])
    hz = np.multiply.outer(np.arange(1, partials + 1), base_hz)
    is_heard = hz <= min(MAX_HZ, 0.45 * rate)
    is_heard[0] |= base_hz <= 0.45 * rate
    centres = np.rint(hz[is_heard] * size / rate).astype(np.int64)
    bins = np.unique(np.add.outer(centres, (-1, 0, 1)))
    return bins[(bins >= 1) & (bins <= size // 2)]


def _rise(
    followed: Followed, times_s: FloatArray, threshold: float, reverberation_s: float
) -> tuple[FloatArray, float] | None:
    """Return the energy that a group brings, shape (frames, bands), and what share is not its own.

    None where nothing rises.
    """
    energy = followed.energy
    last_s = BACKGROUND_S[1] - MIN_BACKGROUND_S
    first_s = max(BACKGROUND_S[0], min(CLEAR_OF_BEFORE_S - followed.after_last_s, last_s))
    is_before = (times_s >= first_s) & (times_s <= BACKGROUND_S[1])
    is_after = (times_s > RISEN_S[0]) & (times_s < min(RISEN_S[1], max(followed.length_s, 0.1)))
    before = energy[is_before].mean(axis=0)
    after = energy[is_after].mean(axis=0)
    brought = np.maximum(after - before, 0.0)
    if not brought.any():
        return None
    own = np.zeros_like(brought)
    rises = brought > 0.0
    own[rises] = 1.0 / (1.0 + (before[rises] / (threshold * brought[rises])) ** 2)
    dying = 10.0 ** (-6.0 * np.maximum(times_s, 0.0) / reverberation_s)
    rise = energy * own - np.multiply.outer(dying, before * own)
    bands = followed.bands[:, None] == np.arange(followed.bands[-1] + 1)
    return np.asarray(rise @ bands), 1.0 - float((own * brought).sum() / after.sum())


def _peak_over_waves(followed: Followed, common_s: float, until_s: float) -> float:
    """Return how far the peak of a sound stands above what its waves reach everywhere."""
    short = followed.short
    window = np.hanning(nearest(followed.window_s / SHORT_HOP_S)) ** 2
    averaged = np.ones(nearest(LEVEL_FRAMES * HOP_S / SHORT_HOP_S))
    kernel = np.convolve(window / window.sum(), averaged / len(averaged))
    reached = np.convolve(maximum_filter1d(short, nearest(RIPPLE_S / SHORT_HOP_S)), kernel, "same")
    first, last = (nearest((at_s + common_s + BEFORE_S) / SHORT_HOP_S) for at_s in (0.0, until_s))
    peak, waves = float(short[first:last].max()), float(reached[first:last].max())
    return float(np.clip(peak / waves, MIN_PEAK, MAX_PEAK)) if waves > 0.0 else 1.0


def _passes_s(
    rises: FloatArray,
    times_s: FloatArray,
    until_s: float,
    threshold: float,
    early_by_s: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Return where rises pass a threshold before they are half full; NaN where never.

    Where one was well below before, it is the first place behind that; else where it passes for
    good.
    """
    mean = np.lib.stride_tricks.sliding_window_view(rises, LEVEL_FRAMES, axis=1).mean(axis=2)
    is_level = (times_s > -NEAR_S) & (times_s < until_s)
    level = mean[:, is_level[LEVEL_FRAMES // 2 : -(LEVEL_FRAMES // 2)]].max(axis=1)
    share = rises / np.where(level > 0.0, level, np.inf)[:, None]
    index = np.arange(len(times_s))
    is_half = (share > 0.5) & (times_s > -NEAR_S)
    half = np.argmax(is_half, axis=1)
    is_before = index < half[:, None]
    is_below, is_well_below = (
        (share < level) & is_before for level in (threshold, WELL_BELOW * threshold)
    )
    last = np.where(is_well_below.any(axis=1), _last(is_well_below), _last(is_below))
    low = np.argmax((share >= threshold) & (index > last[:, None]), axis=1) - 1
    is_known = is_half.any(axis=1) & is_below.any(axis=1)
    low, half = np.where(is_known, low, 0), np.where(is_known, half, 1)
    seen_s = _between(share, times_s, low, threshold)
    half_s = _between(share, times_s, half - 1, 0.5)
    early_s = np.interp(half_s - seen_s, *early_by_s)
    return np.asarray(np.where(is_known, seen_s + early_s, np.nan))


def _last(is_so: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """Return the last index of each row that is so."""
    return np.asarray(is_so.shape[1] - 1 - np.argmax(is_so[:, ::-1], axis=1))


def _between(
    share: FloatArray, times_s: FloatArray, low: npt.NDArray[np.int64], threshold: float
) -> FloatArray:
    rows = np.arange(len(share))
    below, above = share[rows, low], share[rows, low + 1]
    apart = np.where(above == below, 1.0, above - below)
    return np.asarray(times_s[low] + (threshold - below) / apart * HOP_S)


@cache
def _early_by_s(threshold: float, window_s: float) -> tuple[FloatArray, FloatArray]:
    """Return by how much a window shows the threshold early, over the time from there to half.

    Rises by the law, from a step to the slowest, are looked at through the window. The slower, the
    less it matters.
    """
    step_s = 0.0005
    times_s = np.arange(-0.1, 1.0, step_s)
    window = np.hanning(nearest(window_s / step_s)) ** 2
    seen, early = [], []
    for attack_s in (0.0, 0.01, 0.02, 0.03, 0.05, 0.08, 0.12, 0.2, 0.3):
        full = np.asarray(risen(times_s, attack_s))
        through = np.convolve(full, window / window.sum(), "same")
        at_s = [float(times_s[np.argmax(through > level)]) for level in (threshold, 0.5)]
        seen.append(at_s[1] - at_s[0])
        early.append(float(times_s[np.argmax(full > threshold)]) - at_s[0])
    order = np.argsort(seen)
    return np.array(seen)[order], np.array(early)[order]

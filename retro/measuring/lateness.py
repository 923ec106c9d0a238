"""How late the players were: where groups of attacks are heard in a take, against the plan.

What it is. Tones that attack together are one group. The group is heard where the energy of its
**sum** first passes the plan's threshold (10 dB) below the greatest that it reaches within
`LEVEL_S` of its start, as the microphone hears it, room and all. Its lateness is that moment minus
the one at which the plan expects it: the median of its attacks, weighted by energy. The lateness of
a take is the median over its groups, each weighted by its amplitude (the root of the summed
energies of its notes). Where players differ, the sum passes the threshold before the median
player's tone does; that is meant.

Method. About each group the energy near the partials of its pitches is followed through short
windows. Bins that do not rise belong to what was sounding before and are left out; in the others
what sounded before, dying away with the room from the attack on, is taken away, and the rest is
added up as it stands, so that it is the group's own sum. A second pass looks about the lateness
that the first one found. A window makes a rise look longer and its start earlier; by how much
follows from the rise law and the rise that is seen (`_early_by_s`).

A group that stands alone, such as the phrase's first, is read once more in the whole sound, through
windows so short that nothing has to be put right. How far it may be off is how far the crossing
moves when the threshold moves by what the noise does to it.

How far each group may be off follows from how clearly it rises. A group that is not clear is drawn
towards the others by as much, one that is not heard counts as the others do, and the lateness of
the take is the median of what then stands there, each group by its amplitude. The uncertainty is
that of this median: groups are drawn as they may truly be and as they may be heard, many times, and
both medians compared. That players and so groups differ is no error of it.

Conventions
-----------
Times are insert time in seconds; later is positive.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from retro.measuring.identify import ExpectedAttack
from retro.measuring.listen import Sounding
from retro.model.sound import FloatArray, risen
from retro.units import db_to_energy, pitch_to_hz, seconds_to_samples

TOGETHER_S = 0.03
"""Attacks this close are one group: players in an ensemble are no closer (Rasch 1979, S)."""

WINDOW_S, HOP_S = 0.043, 0.004
BEFORE_S, AFTER_S = 0.30, 0.56
"""How far before and after its expected place a group is followed."""

BACKGROUND_S, RISEN_S = (-0.09, -0.03), (0.05, 0.15)
"""Where a bin is compared before and after the attack, about the common lateness."""

LEVEL_S, MIN_LEVEL_S = 0.5, 0.12
"""How long after an attack its greatest energy is looked for."""

LEVEL_FRAMES = 5
"""Frames over which that energy is averaged."""

PARTIALS, MAX_HZ = 12, 6_000.0
MIN_RISE = 2.0
"""How many times as strong as before a bin has to be."""

STEADY = 0.05
"""Unrest of the background, as a share of the group's level, below which it is no matter."""

NEAR_S = 0.15
"""How far from the common lateness a group may lie."""

MAX_GROUPS = 400
PASSES = 2
FIRST_S = -0.05
"""Where the first pass begins from the coarse lateness: slow rises are steepest behind the moment
at which they are heard, and a background that holds some of the rise hides its beginning."""

DRAWS = 300
METHOD_S = 0.010
"""What the method leaves open of a take (95 %), measured on made ensembles."""

FINE_WINDOW_S, FINE_HOP_S, FINE_BEFORE_S = 0.008, 0.001, 0.30
FINE_BACKGROUND_S, MAX_FINE_BACKGROUND = (-0.28, -0.16), 0.03
"""Where a group that stands alone is compared with before, and how much may sound there: so early
that none of its players has begun, though they differ and the first reading is late."""

MAX_FINE_MOVE_S = 0.15
"""How far that reading may lie from the first one: as far as players may be apart."""

ONE_GROUP_S = 0.004
"""What is left open of any one group (95 %)."""

FINE_ERROR_S, CLEAR_ERROR_S, UNCLEAR_ERROR_S = 0.002, 0.004, 0.07
"""Deviation of a group that stands alone, of one that rises clearly, and what is added to it where
it hardly rises; by the square of what it lacks (made ensembles)."""

GROUPS_DIFFER_S, MIN_SPREAD_S, MAX_SPREAD_S = 0.03, 0.008, 0.03
"""How far a group may be off and still say something of the take, and by how much the groups of
one take differ at least and at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Attacks that belong together.

    Parameters
    ----------
    at_s
        Where the plan expects them: their median, weighted by energy.
    attacks
        All of them, in order of time.
    """

    at_s: float
    attacks: tuple[ExpectedAttack, ...]

    @property
    def amplitude(self) -> float:
        """Root of the summed energies."""
        return float(np.sqrt(sum(attack.weight for attack in self.attacks)))

    @property
    def length_s(self) -> float:
        """How long its longest note lasts."""
        return max(attack.length_s for attack in self.attacks)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardGroup:
    """Where a group was found: seconds late, and the deviation of that."""

    group: Group
    late_s: float
    error_s: float

    @property
    def weight(self) -> float:
        """How much it says of the take."""
        return self.group.amplitude / (1.0 + (self.error_s / GROUPS_DIFFER_S) ** 2)

    @property
    def uncertainty_s(self) -> float:
        """How far it may be off (95 %)."""
        return float(np.hypot(ONE_GROUP_S, 2.0 * self.error_s))


@dataclass(frozen=True, slots=True, kw_only=True)
class Lateness:
    """How late a microphone says that a take is.

    Parameters
    ----------
    common_s, uncertainty_s
        The median over groups, and how far it may be off (95 %).
    heard, unheard
        The groups that could be told apart, in order of time, and the others.
    """

    common_s: float
    uncertainty_s: float
    heard: tuple[HeardGroup, ...]
    unheard: tuple[Group, ...]


def groups_of(attacks: Sequence[ExpectedAttack]) -> tuple[Group, ...]:
    """Return the groups of some attacks, in order of time."""
    groups: list[list[ExpectedAttack]] = []
    for attack in sorted(attacks, key=lambda attack: (attack.at_s, attack.pitch)):
        if groups and attack.at_s - groups[-1][0].at_s <= TOGETHER_S:
            groups[-1].append(attack)
        else:
            groups.append([attack])
    return tuple(
        Group(
            at_s=weighted_middle(
                np.array([attack.at_s for attack in group]),
                np.array([attack.weight for attack in group]),
            ),
            attacks=tuple(group),
        )
        for group in groups
    )


def weighted_middle(values: FloatArray, weights: FloatArray) -> float:
    """Return the value at the middle of all weights, between neighbours where it falls so."""
    order = np.argsort(values, kind="stable")
    weights = weights[order]
    reached = (np.cumsum(weights) - 0.5 * weights) / weights.sum()
    return float(np.interp(0.5, reached, values[order]))


def hear_lateness(
    sounding: Sounding,
    groups: Sequence[Group],
    *,
    coarse_s: float,
    onset_db: float,
    reverberation_s: float,
) -> Lateness | None:
    """Return how late the groups are; None where none can be told apart.

    Parameters
    ----------
    coarse_s
        About how late they are, from `retro.measuring.identify`.
    onset_db
        How far below its level a group is heard to begin.
    reverberation_s
        How long the room rings, about.
    """
    loudest = sorted(groups, key=lambda group: (-group.amplitude, group.at_s))[:MAX_GROUPS]
    followed = [_follow(sounding, group, coarse_s) for group in loudest]
    common_s, heard = FIRST_S, []
    for _ in range(PASSES):
        heard = [
            HeardGroup(group=group, late_s=coarse_s + found[0], error_s=found[1])
            for group, energy in zip(loudest, followed, strict=True)
            if (found := _heard(energy, common_s, group.length_s, onset_db, reverberation_s))
            is not None
        ]
        if not heard:
            return None
        common_s = middle_s(heard) - coarse_s
        if abs(common_s) > NEAR_S:
            return None
    at_s = np.array([group.at_s for group in groups])
    heard = [_alone(sounding, one, at_s, onset_db) or one for one in heard]
    found_groups = {id(one.group) for one in heard}
    unheard = tuple(group for group in groups if id(group) not in found_groups)
    late_s, uncertainty_s = settled(heard, unheard)
    return Lateness(
        common_s=late_s,
        uncertainty_s=uncertainty_s,
        heard=tuple(sorted(heard, key=lambda one: one.group.at_s)),
        unheard=unheard,
    )


def middle_s(heard: Sequence[HeardGroup]) -> float:
    """Return the median lateness of some groups, each by its weight."""
    return weighted_middle(
        np.array([one.late_s for one in heard]), np.array([one.weight for one in heard])
    )


def settled(heard: Sequence[HeardGroup], unheard: Sequence[Group]) -> tuple[float, float]:
    """Return the lateness that groups say together, and how far it may be off (95 %)."""
    late_s, error_s, weights, amplitudes = np.array(
        [(one.late_s, one.error_s, one.weight, one.group.amplitude) for one in heard]
    ).T
    others = np.array([group.amplitude for group in unheard])
    every = np.concatenate((amplitudes, others))
    middle = weighted_middle(late_s, weights)
    clear = amplitudes / (1.0 + (error_s / MIN_SPREAD_S) ** 2)
    apart_s = 1.48 * weighted_middle(np.abs(late_s - middle), clear)
    spread_s = float(np.clip(apart_s, MIN_SPREAD_S, MAX_SPREAD_S))
    variance = 1.0 / (1.0 / spread_s**2 + 1.0 / error_s**2)

    def drawn_in(late_s: FloatArray, middle: float) -> FloatArray:
        return np.asarray(variance * (middle / spread_s**2 + late_s / error_s**2))

    def lateness(late_s: FloatArray) -> float:
        middle = weighted_middle(late_s, weights)
        there = np.concatenate((drawn_in(late_s, middle), np.full(len(others), middle)))
        return weighted_middle(there, every)

    chance = np.random.default_rng(0)
    errors_s = []
    for _ in range(DRAWS):
        true_s = drawn_in(late_s, middle)
        true_s += np.sqrt(variance) * chance.standard_normal(len(late_s))
        seen_s = true_s + error_s * chance.standard_normal(len(late_s))
        others_s = middle + spread_s * chance.standard_normal(len(others))
        true_middle = weighted_middle(np.concatenate((true_s, others_s)), every)
        errors_s.append(lateness(seen_s) - true_middle)
    doubt_s = float(np.percentile(np.abs(errors_s), 95))
    return lateness(late_s), float(np.hypot(doubt_s, METHOD_S))


def _alone(
    sounding: Sounding, heard: HeardGroup, at_s: FloatArray, onset_db: float
) -> HeardGroup | None:
    """Return a group as it is read in the whole sound; None where it does not stand alone."""
    rate = sounding.rate
    later = at_s[at_s > heard.group.at_s + TOGETHER_S]
    until_s = min(LEVEL_S, float(later.min()) - heard.group.at_s - 0.02 if len(later) else LEVEL_S)
    if until_s < MIN_LEVEL_S:
        return None
    size, hop = seconds_to_samples(FINE_WINDOW_S, rate), seconds_to_samples(FINE_HOP_S, rate)
    window = np.hanning(size) / np.hanning(size).sum()
    sound = sounding.span(
        heard.group.at_s + heard.late_s - FINE_BEFORE_S - 0.5 * FINE_WINDOW_S,
        seconds_to_samples(until_s + FINE_BEFORE_S, rate) + size,
    )
    energy = np.lib.stride_tricks.sliding_window_view(sound**2, size)[::hop] @ window
    times_s = np.arange(len(energy)) * hop / rate - FINE_BEFORE_S
    is_before = (times_s > FINE_BACKGROUND_S[0]) & (times_s < FINE_BACKGROUND_S[1])
    before = float(energy[is_before].mean())
    level = float(energy[~is_before].max()) - before
    if before > MAX_FINE_BACKGROUND * level:
        return None
    threshold = level * db_to_energy(-onset_db)
    blur = _blur(energy[is_before], threshold, level)
    energy[times_s <= -MAX_FINE_MOVE_S] = 0.0
    first_s, move_s, last_s = (
        float(times_s[np.argmax(energy - before >= threshold * share)])
        for share in (1.0 - 2.0 * blur, 1.0, 1.0 + 2.0 * blur)
    )
    if not abs(move_s) < MAX_FINE_MOVE_S:
        return None
    open_s = 0.5 * max(move_s - first_s, last_s - move_s)
    return replace(heard, late_s=heard.late_s + move_s, error_s=max(FINE_ERROR_S, open_s))


def _blur(noise: FloatArray, threshold: float, level: float) -> float:
    """Return by what share noise moves a threshold under a level (one deviation).

    Energy S in a noise of mean energy b, which is itself restless by d, is restless by
    d sqrt(2 S / b): the product of the two waves is as long as the geometric mean of their energies
    and has no sign. Players who are apart creep up to the threshold in waves, so that a wave may
    pass it by less than this and the crossing lies at the one before or behind.
    """
    before = float(noise.mean())
    if before <= 0.0:
        return 0.0
    return float(noise.std() * np.sqrt(2.0 * (1.0 / threshold + 1.0 / level) / before))


def _times_s() -> FloatArray:
    """Return when the frames of a group lie, from where it is looked for."""
    return np.asarray(np.arange(-round(BEFORE_S / HOP_S), round(AFTER_S / HOP_S) + 1) * HOP_S)


def _follow(sounding: Sounding, group: Group, coarse_s: float) -> FloatArray:
    """Return the energy near the partials of a group, shape (frames, bins)."""
    rate = sounding.rate
    size = seconds_to_samples(WINDOW_S, rate)
    times_s = _times_s()
    starts = np.array([seconds_to_samples(at_s - times_s[0], rate) for at_s in times_s])
    first_s = group.at_s + coarse_s + times_s[0] - 0.5 * size / rate
    heard = sounding.span(first_s, int(starts[-1]) + size)
    frames = np.lib.stride_tricks.sliding_window_view(heard, size)[starts]
    spectrum = np.fft.rfft(frames * np.hanning(size), axis=1)[:, _bins(group, size, rate)]
    return np.asarray(spectrum.real**2 + spectrum.imag**2)


def _bins(group: Group, size: int, rate: int) -> np.ndarray:
    """Return the bins at the partials of a group, and their neighbours."""
    base_hz = np.array([pitch_to_hz(attack.pitch) for attack in group.attacks])
    hz = np.multiply.outer(np.arange(1, PARTIALS + 1), base_hz)
    is_heard = hz <= min(MAX_HZ, 0.45 * rate)
    is_heard[0] |= base_hz <= 0.45 * rate
    centres = np.rint(hz[is_heard] * size / rate).astype(int)
    bins = np.unique(np.add.outer(centres, (-1, 0, 1)))
    return bins[(bins >= 1) & (bins <= size // 2)]


def _heard(
    energy: FloatArray,
    common_s: float,
    length_s: float,
    onset_db: float,
    reverberation_s: float,
) -> tuple[float, float] | None:
    """Return how late a group is from where it was looked for, and the deviation of that."""
    all_s = _times_s()
    times_s = all_s - common_s
    is_before = (times_s > BACKGROUND_S[0]) & (times_s < BACKGROUND_S[1])
    until_s = min(RISEN_S[1], max(length_s, 2 * RISEN_S[0]))
    before = energy[is_before].mean(axis=0)
    risen_to = energy[(times_s > RISEN_S[0]) & (times_s < until_s)].mean(axis=0)
    own = risen_to > MIN_RISE * before
    if not own.any():
        return None
    dying = 10.0 ** (-6.0 * np.maximum(times_s, 0.0) / reverberation_s)
    rise = energy[:, own].sum(axis=1) - before[own].sum() * dying
    until_s = max(min(LEVEL_S, length_s), MIN_LEVEL_S)
    mean = np.convolve(rise, np.ones(LEVEL_FRAMES) / LEVEL_FRAMES, "same")
    level = float(mean[(times_s > -NEAR_S) & (times_s < until_s)].max())
    if level <= 0.0:
        return None
    found_s = _passes_s(rise / level, all_s, times_s, db_to_energy(-onset_db))
    if found_s is None or abs(found_s - common_s) > NEAR_S:
        return None
    share = float((risen_to - before)[own].sum() / risen_to.sum())
    unrest = float(rise[is_before].std()) / level
    clearness = share * STEADY / (STEADY + unrest)
    return found_s, CLEAR_ERROR_S + UNCLEAR_ERROR_S * (1.0 - clearness) ** 2


def _passes_s(
    rise: FloatArray, all_s: FloatArray, times_s: FloatArray, threshold: float
) -> float | None:
    """Return where a rise to 1 passes a threshold for good, before it is half full."""
    half = np.flatnonzero((rise > 0.5) & (times_s > -NEAR_S))
    if not len(half):
        return None
    below = np.flatnonzero(rise[: half[0]] < threshold)
    if not len(below):
        return None
    seen_s = _between(rise, all_s, int(below[-1]), threshold)
    half_s = _between(rise, all_s, int(half[0]) - 1, 0.5)
    return seen_s + float(np.interp(half_s - seen_s, *_early_by_s(threshold)))


def _between(rise: FloatArray, all_s: FloatArray, low: int, threshold: float) -> float:
    share = (threshold - rise[low]) / (rise[low + 1] - rise[low])
    return float(all_s[low] + share * HOP_S)


@cache
def _early_by_s(threshold: float) -> tuple[FloatArray, FloatArray]:
    """Return by how much a window shows the threshold early, over the time from there to half.

    Rises by the law, from a step to the slowest, are looked at through the window. The slower, the
    less it matters.
    """
    step_s = 0.0005
    times_s = np.arange(-0.1, 1.0, step_s)
    window = np.hanning(int(WINDOW_S / step_s)) ** 2
    seen, early = [], []
    for attack_s in (0.0, 0.01, 0.02, 0.03, 0.05, 0.08, 0.12, 0.2, 0.3):
        full = np.asarray(risen(times_s, attack_s))
        through = np.convolve(full, window / window.sum(), "same")
        at_s = [float(times_s[np.argmax(through > level)]) for level in (threshold, 0.5)]
        seen.append(at_s[1] - at_s[0])
        early.append(float(times_s[np.argmax(full > threshold)]) - at_s[0])
    order = np.argsort(seen)
    return np.array(seen)[order], np.array(early)[order]

"""Whether a take is the insert of a plan at all, and about where in it the insert lies.

Method. Two things are listened for in semitone bands: at every attack of the plan a rise at its
partials, and behind it that these stand out from the other bands. Both are added up over all
attacks, for every lateness within `REACH_S`. How much of that agrees depends on the music, the room
and the number of players, so no fixed share can tell one insert from another. What tells is chance:
the same attacks with their pitches shuffled among them are looked for in the same take, and the
plan has to reach far more than they do, as a whole and in each half (music that only opens alike
does not). Repeated notes are shuffled as one, since one of them says no more than all.

Strokes without a pitch have no bands of their own: they are looked for as rises of the whole, and
where most attacks are such, the distances between the moments are shuffled instead of the pitches.

Conventions
-----------
Times are insert time in seconds; later is positive. Deviations are those of the shuffles.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from retro.measuring.bands import (
    HOP_S,
    MAX_FROM_ONE,
    band_levels,
    by_pitch,
    rises,
    standing,
)
from retro.measuring.listen import Sounding
from retro.model.sound import FloatArray
from retro.units import nearest

IntArray = npt.NDArray[np.int64]

REACH_S = 8.0
"""How far from the stated place the insert is looked for."""

NEAR_S = 0.12
"""How early or late players may be: further off the insert lies elsewhere."""

STANDS_S, MIN_STANDS_S, MAX_STANDS_S = 0.05, 0.15, 1.0
"""Behind an attack a tone stands out from the first of these on, for its length between the
others."""

MAX_HEARD_S = 300.0
"""Most that is listened to: five minutes tell an insert, and bound the memory."""

SHUFFLES = 40
MAX_REPEAT_S = 0.4
"""Strokes of one pitch that follow as closely as this are one run."""

MIN_OVER_CHANCE = 3.5
"""How many deviations the plan lies over its shuffles at least. Measured on made ensembles (sixteen
studies, rooms to 1.4 s, players 9 to 30 ms apart): right plans 4.3 or more, others 2.5 or less,
and once 4.0 of twelve attacks."""

MIN_HALF_OVER_CHANCE, MIN_HALF_SHARE = 1.5, 0.25
"""The same of each half, and as a share of the other half."""

MIN_HALF_ATTACKS = 6
"""How many attacks, and half as many moments, a half has at least that is judged alone."""

MIN_ATTACKS = 20
"""With fewer attacks chance alone may do it: such a take is not refused, nor is it sure."""

MIN_ELSEWHERE, MIN_DOUBTFUL = 4.0, 1.5
"""By how many deviations another place has to fit better to be believed, and to be told."""

MIN_OVER_OTHER_TIMES = 4.5
"""The same for strokes without a pitch, over shuffled distances: right 5.3 or more, others 4.0."""

MAX_TRANSPOSED, MIN_OTHER_PITCHES = 6, 3.0
"""How far the plan is transposed, and by how many deviations that may fit better."""

BLOCK_ATTACKS = 512


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedAttack:
    """One expected attack.

    Parameters
    ----------
    at_s
        When it is heard if the players are with the click and play what is written.
    pitch, weight, length_s
        Sounding pitch, energy, and how long it lasts.
    is_pitched
        Whether it has a pitch that can be heard; a drum has none.
    is_harmonic
        Whether its partials are those of its pitch alone.
    """

    at_s: float
    pitch: int
    weight: float
    length_s: float
    is_pitched: bool = True
    is_harmonic: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """How well a take fits the plan, and about how late it is.

    Parameters
    ----------
    late_s
        Lateness within `NEAR_S` of the stated place that fits best, to one step of `HOP_S`.
    attacks
        How many were looked for.
    agreement
        Share of the plan's attacks that is there together; 1 is all.
    over_chance
        By how many deviations the plan lies over the same attacks with shuffled pitches.
    halves
        The same for the first and the second half; empty where they are too short to be judged.
    elsewhere_s
        Lateness that fits best of all, as far as the insert was looked for.
    elsewhere
        By how many deviations it fits better; 0 where it is `late_s`.
    other_pitches
        By how many deviations the plan fits best when it is transposed by up to `MAX_TRANSPOSED`
        semitones, against as it stands; negative where it fits less.
    is_drummed
        Whether most attacks have no pitch, so that the plan is judged by its times.
    """

    late_s: float
    attacks: int
    agreement: float
    over_chance: float
    halves: tuple[float, ...]
    elsewhere_s: float
    elsewhere: float
    other_pitches: float
    is_drummed: bool

    @property
    def is_this_insert(self) -> bool:
        """Whether the attacks of the plan are in the take, at their pitches, from end to end."""
        if self.is_drummed:
            return self.over_chance >= MIN_OVER_OTHER_TIMES
        in_pitch = self.other_pitches < MIN_OTHER_PITCHES
        return self.over_chance >= MIN_OVER_CHANCE and in_pitch and not self.missing_halves

    @property
    def opens_here(self) -> bool:
        """Whether the insert begins at the stated place, whatever comes then."""
        opens = self.missing_halves == (1,) and self.over_chance >= MIN_OVER_CHANCE
        return (self.is_this_insert or opens) and not self.lies_elsewhere

    @property
    def lies_elsewhere(self) -> bool:
        """Whether the insert lies further off than players are late."""
        return self.elsewhere >= MIN_ELSEWHERE

    @property
    def may_lie_elsewhere(self) -> bool:
        """Whether another place cannot be told from the stated one."""
        return self.elsewhere >= MIN_DOUBTFUL

    @property
    def is_short(self) -> bool:
        """Whether there are too few attacks to refuse a take by."""
        return self.attacks < MIN_ATTACKS

    @property
    def missing_halves(self) -> tuple[int, ...]:
        """Which halves (0, 1) do not sound like the plan."""
        least = max(MIN_HALF_OVER_CHANCE, MIN_HALF_SHARE * max(self.halves, default=0.0))
        return tuple(half for half, over in enumerate(self.halves) if over < least)


def match_plan(
    sounding: Sounding,
    attacks: Sequence[ExpectedAttack],
    *,
    expected_s: float = 0.0,
    reach_s: float = REACH_S,
) -> Match:
    """Return how well a take fits the plan, and about how late it is.

    Of a longer insert the stretch of `MAX_HEARD_S` with the most attacks is listened to.

    Parameters
    ----------
    expected_s
        The lateness that is known already.
    reach_s
        How far from it the insert is looked for.
    """
    attacks = densest(attacks)
    sought = _Sought.of(sounding, attacks, expected_s, reach_s, transposed=MAX_TRANSPOSED)
    lags, near = _lags(reach_s), _lags(NEAR_S)
    weights = sought.weights
    chance = sought.chance(near, weights)
    fits = chance.fit(sought.reached(sought.pitches, lags, weights))
    is_near = np.isin(lags, near)
    best, best_near = int(np.argmax(fits)), int(np.argmax(np.where(is_near, fits, -np.inf)))
    rise, _ = sought.reached(sought.pitches, lags[best_near : best_near + 1], weights)
    over = chance.over(fits[best_near])
    others = (chance.fit(one.reached(one.pitches, near, weights)) for one in sought.transposed)
    if sought.is_drummed:
        over = sought.in_time(near)
    return Match(
        late_s=expected_s + float(lags[best_near]) * HOP_S,
        attacks=len(attacks),
        agreement=float(rise[0] / (MAX_FROM_ONE * weights.sum())),
        over_chance=over,
        halves=tuple(sought.half_over(half, near) for half in (0, 1)) if sought.has_halves else (),
        elsewhere_s=expected_s + float(lags[best]) * HOP_S,
        elsewhere=float(fits[best] - fits[best_near]),
        other_pitches=max(float(other.max()) for other in others) - float(fits[best_near]),
        is_drummed=sought.is_drummed,
    )


def fits_about(
    sounding: Sounding, attacks: Sequence[ExpectedAttack], centre_s: float, reach_s: float
) -> tuple[FloatArray, FloatArray]:
    """Return latenesses within a reach of one, and how well the insert fits at each."""
    sought, lags = _Sought.of(sounding, attacks, centre_s, reach_s), _lags(reach_s)
    chance = sought.chance(_lags(NEAR_S), sought.weights)
    fits = chance.fit(sought.reached(sought.pitches, lags, sought.weights))
    return np.asarray(centre_s + lags * HOP_S), fits


def _lags(reach_s: float) -> IntArray:
    reach = nearest(reach_s / HOP_S)
    return np.arange(-reach, reach + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chance:
    """What shuffled attacks reach: the deviations of rises and standing, and the fits of each."""

    deviations: tuple[float, float]
    fits: FloatArray

    def fit(self, reached: tuple[FloatArray, FloatArray]) -> FloatArray:
        """Return rises and standing together, in deviations of the one and the other."""
        rise, stand = (
            found / deviation if deviation > 0.0 else np.zeros_like(found)
            for found, deviation in zip(reached, self.deviations, strict=True)
        )
        return np.asarray((rise + stand) / np.sqrt(2.0))

    def over(self, fit: float) -> float:
        """Return by how many deviations a fit lies over those of the shuffles."""
        apart = float(self.fits.std())
        return float((fit - self.fits.mean()) / apart) if apart > 0.0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sought:
    """The attacks of a plan in a take that is listened to.

    `rise` and `stood` (summed from the beginning) have a row for every distinct pitch and one for
    strokes without any; `pitches` are the rows of the attacks, `frames` and `ends` where each
    begins on time and how many frames it stands.
    """

    rise: FloatArray
    stood: FloatArray
    pitches: IntArray
    runs: IntArray
    frames: IntArray
    stands: IntArray
    weights: FloatArray
    is_pitched: npt.NDArray[np.bool_]
    transposed: "tuple[_Sought, ...]" = ()

    @classmethod
    def of(
        cls,
        sounding: Sounding,
        attacks: Sequence[ExpectedAttack],
        expected_s: float,
        reach_s: float,
        *,
        transposed: int = 0,
    ) -> "_Sought":
        margin_s = reach_s + MAX_STANDS_S + 0.5
        start_s = attacks[0].at_s + expected_s - margin_s
        levels = band_levels(sounding, start_s, attacks[-1].at_s + expected_s + margin_s)
        in_bands, whole = rises(levels)
        distinct, pitches = np.unique(
            [attack.pitch if attack.is_pitched else -1 for attack in attacks], return_inverse=True
        )
        stand_in_bands = standing(levels)

        def rows(by: int) -> tuple[FloatArray, FloatArray]:
            rise = np.minimum(by_pitch(in_bands, distinct + by), MAX_FROM_ONE)
            stand = by_pitch(stand_in_bands, distinct + by)
            rise[distinct < 0], stand[distinct < 0] = np.minimum(whole, MAX_FROM_ONE), 0.0
            return rise, np.pad(np.cumsum(stand, axis=1), ((0, 0), (1, 0)))

        rise, stood = rows(0)
        stands_s = np.clip([attack.length_s for attack in attacks], MIN_STANDS_S, MAX_STANDS_S)
        at_s = np.array([attack.at_s for attack in attacks])
        own = cls(
            rise=rise,
            stood=stood,
            pitches=pitches,
            runs=_runs(attacks),
            frames=np.rint((at_s + expected_s - start_s) / HOP_S).astype(np.int64),
            stands=np.rint(stands_s / HOP_S).astype(np.int64),
            weights=np.array([attack.weight for attack in attacks]) ** 0.25,
            is_pitched=np.array([attack.is_pitched for attack in attacks]),
        )
        others = []
        for by in (*range(-transposed, 0), *range(1, transposed + 1)):
            rise, stood = rows(by)
            others.append(replace(own, rise=rise, stood=stood))
        return replace(own, transposed=tuple(others))

    @property
    def is_drummed(self) -> bool:
        """Whether most attacks have no pitch."""
        return bool(2.0 * self.weights[~self.is_pitched].sum() > self.weights.sum())

    @property
    def has_halves(self) -> bool:
        """Whether each half has attacks and moments enough."""
        middle = len(self.frames) // 2
        halves = (self.frames[:middle], self.frames[middle:])
        return (
            middle >= MIN_HALF_ATTACKS
            and not self.is_drummed
            and all(2 * len(np.unique(half)) >= MIN_HALF_ATTACKS for half in halves)
        )

    def reached(
        self, pitches: IntArray, lags: IntArray, weights: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return what rises and what stands out at every lag, each of shape (lags,)."""
        rise, stand = np.zeros(len(lags)), np.zeros(len(lags))
        low = nearest(STANDS_S / HOP_S)
        for first in range(0, len(pitches), BLOCK_ATTACKS):
            some = slice(first, first + BLOCK_ATTACKS)
            rows, stands = pitches[some, None], self.stands[some, None]
            at = self.frames[some, None] + lags
            rise += weights[some] @ self.rise[rows, at]
            stood = self.stood[rows, at + stands] - self.stood[rows, at + low]
            stand += weights[some] @ (stood / (stands - low))
        return rise, stand

    def chance(self, lags: IntArray, weights: FloatArray) -> _Chance:
        """Return what the same attacks reach with their pitches in other orders."""
        order = np.zeros(int(self.runs.max()) + 1, dtype=np.int64)
        order[self.runs] = self.pitches
        random = np.random.default_rng(0)
        reached = [
            self.reached(random.permutation(order)[self.runs], lags, weights)
            for _ in range(SHUFFLES)
        ]
        deviations = tuple(
            float(np.std([found[kind].max() for found in reached])) for kind in (0, 1)
        )
        bare = _Chance(deviations=(deviations[0], deviations[1]), fits=np.zeros(0))
        return _Chance(
            deviations=bare.deviations,
            fits=np.array([bare.fit(found).max() for found in reached]),
        )

    def half_over(self, half: int, lags: IntArray) -> float:
        """Return by how many deviations a half alone lies over chance."""
        is_first = np.arange(len(self.weights)) < len(self.weights) // 2
        weights = np.where(is_first == (half == 0), self.weights, 0.0)
        chance = self.chance(lags, weights)
        return chance.over(float(chance.fit(self.reached(self.pitches, lags, weights)).max()))

    def in_time(self, lags: IntArray) -> float:
        """Return by how many deviations the moments lie over the same with shuffled distances."""
        moments = np.unique(self.frames)
        gaps = np.diff(moments)
        whole = self.rise[0]

        def reached(gaps: IntArray) -> float:
            at = moments[0] + np.concatenate(([0], np.cumsum(gaps)))
            return float(whole[at[:, None] + lags].sum(axis=0).max())

        random = np.random.default_rng(0)
        others = np.array([reached(random.permutation(gaps)) for _ in range(SHUFFLES)])
        apart = float(others.std())
        return float((reached(gaps) - others.mean()) / apart) if apart > 0.0 else 0.0


def _runs(attacks: Sequence[ExpectedAttack]) -> IntArray:
    """Return for every attack which run of one pitch it belongs to."""
    latest: dict[int, tuple[int, float]] = {}
    runs, next_run = [], 0
    for attack in attacks:
        run, at_s = latest.get(attack.pitch, (next_run, -np.inf))
        if attack.at_s - at_s > MAX_REPEAT_S:
            run, next_run = next_run, next_run + 1
        latest[attack.pitch] = (run, attack.at_s)
        runs.append(run)
    return np.array(runs)


def densest(attacks: Sequence[ExpectedAttack]) -> Sequence[ExpectedAttack]:
    """Return the most attacks that lie within `MAX_HEARD_S`, in order of time."""
    in_time = sorted(attacks, key=lambda attack: (attack.at_s, attack.pitch))
    at_s = np.array([attack.at_s for attack in in_time])
    ends = np.searchsorted(at_s, at_s + MAX_HEARD_S, side="right")
    first = int(np.argmax(ends - np.arange(len(ends))))
    return in_time[first : int(ends[first])]

"""Whether a take is the insert of a plan at all, and about how late it is.

Method. Rises are listened for in semitone bands, the frame's own median taken away so that clicks
and bumps (which rise everywhere at once) do not count, and added up where the plan has attacks,
for every lateness within a second. How much of that agrees depends on the music, the room and the
number of players, so no fixed share can tell one insert from another. What tells is chance: the
same attacks with their pitches shuffled among them are looked for in the same take, and the plan
has to reach far more than they do, as a whole and in each half (music that only opens alike does
not).

Conventions
-----------
Times are insert time in seconds; later is positive.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from retro.measuring.listen import Sounding
from retro.model.sound import FloatArray
from retro.units import NEVER_DB, nearest, pitch_to_hz, seconds_to_samples

IntArray = npt.NDArray[np.int64]

MIN_BAND, MAX_BAND = 28, 108
"""Semitone bands that are listened to, MIDI pitches."""

HOP_S, WINDOW_S = 0.010, 0.085
PARTIALS = 6
RISE_FRAMES = 3
BLOCK_FRAMES = 512
MAX_LATENESS_S = 1.0
"""How far from the plan attacks are looked for."""

FAR_SHARE = 0.2
"""What a lateness of `MAX_LATENESS_S` loses: in a steady tremolo one stroke is like the next, and
players are rather a little late than much."""

MAX_HEARD_S = 600.0
"""Most that is listened to: ten minutes tell an insert, and bound the memory."""

MAX_FROM_ONE = 3.0
"""Most that one attack adds, in deviations: many have to agree."""

SHUFFLES = 40
NEAR_FRAMES = 5
"""How far from the common lateness a half may lie."""

MIN_OVER_CHANCE, MIN_HALF_OVER_CHANCE = 3.5, 1.5
"""How many deviations the plan lies over its shuffles at least. Measured on made ensembles (rooms
to 1.4 s, players 30 ms apart): right plans 4.9 or more and 1.7 in each half; others at most 2 and
1.4 of 60 attacks and more."""

HALF_SHARE = (0.27, 0.6)
"""Least share of the other half's deviations and of its agreement."""

MIN_SHORT_HALF = 0.5
FEW_ATTACKS = 60
MIN_SHORT = ((0.4, 0.0), (0.3, 1.5))
"""Agreement and deviations that suffice too where attacks are so few that their pitches can hardly
be shuffled: either pair."""

MIN_HALF_MOMENTS = 6
"""How many moments a half has at least that is judged alone."""

OTHER_SEMITONES = tuple(s for s in range(-6, 7) if s != 0)
MIN_OVER_OTHERS = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedAttack:
    """One expected attack.

    Parameters
    ----------
    at_s
        When it is heard if the players are with the click and play what is written.
    pitch, weight, length_s
        Sounding pitch, energy, and how long it lasts.
    """

    at_s: float
    pitch: int
    weight: float
    length_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """How well a take fits the plan, and about how late it is.

    Parameters
    ----------
    late_s
        Lateness to one step of `HOP_S`.
    attacks
        How many were looked for.
    agreement
        Share of the plan's attacks that is there together; 1 is all.
    other_pitches
        What the same attacks reach at best when they are transposed.
    over_chance
        By how many deviations the plan lies over the same attacks with shuffled pitches.
    halves
        Agreement and deviations of the first and the second half alone; none where they are too
        short to be judged.
    """

    late_s: float
    attacks: int
    agreement: float
    other_pitches: float
    over_chance: float
    halves: tuple[tuple[float, float], ...]

    @property
    def is_this_insert(self) -> bool:
        """Whether the attacks of the plan are in the take, at their pitches, from end to end."""
        is_there = self.over_chance >= MIN_OVER_CHANCE or (
            self._is_short
            and any(
                self.agreement >= agreement and self.over_chance >= over
                for agreement, over in MIN_SHORT
            )
        )
        in_pitch = self.agreement > MIN_OVER_OTHERS * self.other_pitches
        return is_there and in_pitch and not self.missing_halves

    @property
    def missing_halves(self) -> tuple[int, ...]:
        """Which halves (0, 1) do not sound like the plan."""
        return tuple(half for half in range(len(self.halves)) if not self._half_is_there(half))

    def _half_is_there(self, half: int) -> bool:
        agreement, over = self.halves[half]
        other_agreement, other_over = self.halves[1 - half]
        if over >= max(MIN_HALF_OVER_CHANCE, HALF_SHARE[0] * other_over):
            return True
        return (
            self._is_short
            and over > MIN_SHORT_HALF
            and agreement >= HALF_SHARE[1] * other_agreement
        )

    @property
    def _is_short(self) -> bool:
        return self.attacks < FEW_ATTACKS


def match_plan(sounding: Sounding, attacks: Sequence[ExpectedAttack]) -> Match:
    """Return about how late a take is, and how well it fits the plan.

    Of a longer insert the stretch of `MAX_HEARD_S` with the most attacks is listened to.
    """
    attacks = _densest(attacks)
    margin_s = MAX_LATENESS_S + 0.1
    start_s = attacks[0].at_s - margin_s
    rises = _band_rises(sounding, start_s, attacks[-1].at_s + margin_s)
    plan = _Sought.of(rises, attacks, start_s)
    totals = plan.totals(plan.pitches)
    whole = totals.sum(axis=0)
    best = int(np.argmax(whole))
    near = slice(max(best - NEAR_FRAMES, 0), best + NEAR_FRAMES + 1)
    halves = totals[:, near].max(axis=1)
    shuffled = [plan.totals(order) for order in plan.shuffles()]
    others = np.array([totals.sum(axis=0).max() for totals in shuffled])
    other_halves = np.array([totals[:, near].max(axis=1) for totals in shuffled])
    over_halves = _over(halves, other_halves)
    most = plan.most
    return Match(
        late_s=(best - len(whole) // 2) * HOP_S,
        attacks=len(attacks),
        agreement=float(whole[best] / most.sum()),
        other_pitches=max(
            float(plan.transposed(rises, by).max() / most.sum()) for by in OTHER_SEMITONES
        ),
        over_chance=float(_over(whole.max(), others)),
        halves=tuple(
            (float(share), float(over))
            for share, over in zip(halves / np.maximum(most, 1e-300), over_halves, strict=True)
        )
        if plan.has_halves
        else (),
    )


def _over(found: npt.ArrayLike, others: FloatArray) -> FloatArray:
    """Return by how many deviations something lies over others; 0 where these are all alike."""
    apart = others.std(axis=0)
    above = np.asarray(found) - others.mean(axis=0)
    return np.asarray(np.divide(above, apart, out=np.zeros_like(above), where=apart > 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sought:
    """The attacks of a plan in a take that is listened to.

    `heard` has shape (distinct pitches, frames); `frames` are those of each attack on time,
    `pitches` the rows of `heard`, `weights` one row for each half.
    """

    heard: FloatArray
    distinct: IntArray
    frames: IntArray
    pitches: IntArray
    weights: FloatArray

    @classmethod
    def of(cls, rises: FloatArray, attacks: Sequence[ExpectedAttack], start_s: float) -> "_Sought":
        distinct, pitches = np.unique([attack.pitch for attack in attacks], return_inverse=True)
        weights = np.zeros((2, len(attacks)))
        middle = len(attacks) // 2
        amplitudes = np.array([attack.weight for attack in attacks]) ** 0.25
        weights[0, :middle], weights[1, middle:] = amplitudes[:middle], amplitudes[middle:]
        return cls(
            heard=_heard(rises, distinct),
            distinct=distinct,
            frames=np.array([nearest((attack.at_s - start_s) / HOP_S) for attack in attacks]),
            pitches=pitches,
            weights=weights,
        )

    @property
    def has_halves(self) -> bool:
        """Whether each half has moments enough."""
        moments = (len(np.unique(self.frames[half > 0.0])) for half in self.weights)
        return min(moments) >= MIN_HALF_MOMENTS

    @property
    def most(self) -> FloatArray:
        """What the halves can reach."""
        return np.asarray(MAX_FROM_ONE * self.weights.sum(axis=1))

    def totals(self, pitches: IntArray, heard: FloatArray | None = None) -> FloatArray:
        """Return what the halves reach for every lateness, shape (2, latenesses)."""
        reach = seconds_to_samples(MAX_LATENESS_S / HOP_S, 1)
        windows = np.lib.stride_tricks.sliding_window_view(
            self.heard if heard is None else heard, 2 * reach + 1, axis=1
        )
        far = np.abs(np.arange(-reach, reach + 1)) / reach
        found = self.weights @ windows[pitches, self.frames - reach]
        return np.asarray(found * (1.0 - FAR_SHARE * far))

    def shuffles(self) -> list[IntArray]:
        """Return the pitches in other orders, always the same ones."""
        chance = np.random.default_rng(0)
        return [chance.permutation(self.pitches) for _ in range(SHUFFLES)]

    def transposed(self, rises: FloatArray, by: int) -> FloatArray:
        """Return what all reach for every lateness when they are transposed."""
        return np.asarray(self.totals(self.pitches, _heard(rises, self.distinct + by)).sum(axis=0))


def _heard(rises: FloatArray, pitches: IntArray) -> FloatArray:
    """Return the rise of each pitch over its partials, shape (pitches, frames)."""
    partials = nearest_semitones(PARTIALS)
    heard = np.zeros((len(pitches), len(rises)))
    for row, pitch in zip(heard, pitches, strict=True):
        bands = np.unique(pitch - MIN_BAND + partials)
        bands = bands[(bands >= 0) & (bands < rises.shape[1])]
        if len(bands):
            row[:] = np.minimum(rises[:, bands].mean(axis=1), MAX_FROM_ONE)
    return heard


def _densest(attacks: Sequence[ExpectedAttack]) -> Sequence[ExpectedAttack]:
    """Return the most attacks that lie within `MAX_HEARD_S`, in order of time."""
    in_time = sorted(attacks, key=lambda attack: (attack.at_s, attack.pitch))
    at_s = np.array([attack.at_s for attack in in_time])
    ends = np.searchsorted(at_s, at_s + MAX_HEARD_S, side="right")
    first = int(np.argmax(ends - np.arange(len(ends))))
    return in_time[first : int(ends[first])]


def _band_rises(sounding: Sounding, start_s: float, end_s: float) -> FloatArray:
    """Rises of the level in semitone bands, each band with mean 0 and deviation 1.

    Returns
    -------
    ndarray, shape (frames, bands)
    """
    rate = sounding.rate
    size = seconds_to_samples(WINDOW_S, rate)
    count = seconds_to_samples((end_s - start_s) / HOP_S, 1)
    bands = _bands(size, rate)
    window = np.hanning(size)
    energy = np.empty((count, bands.shape[1]))
    for first in range(0, count, BLOCK_FRAMES):
        many = min(BLOCK_FRAMES, count - first)
        starts = [
            seconds_to_samples((first + i) * HOP_S, rate) - seconds_to_samples(first * HOP_S, rate)
            for i in range(many)
        ]
        block_s = start_s + first * HOP_S - size / 2 / rate
        heard = sounding.span(block_s, starts[-1] + size)
        frames = np.lib.stride_tricks.sliding_window_view(heard, size)[starts]
        energy[first : first + many] = np.abs(np.fft.rfft(frames * window)) ** 2 @ bands
    floor = 0.3 * np.median(energy, axis=0) + 1e-12 * energy.max() + 10 ** (NEVER_DB / 10)
    energy += floor
    level = np.log(energy, out=energy)
    rise = np.zeros_like(level)
    rise[RISE_FRAMES:-RISE_FRAMES] = level[2 * RISE_FRAMES :] - level[: -2 * RISE_FRAMES]
    rise -= np.median(rise, axis=1, keepdims=True)
    np.maximum(rise, 0.0, out=rise)
    deviation = rise.std(axis=0)
    rise -= rise.mean(axis=0)
    rise /= np.where(deviation > 0.0, deviation, 1.0)
    return np.asarray(rise)


def _bands(size: int, rate: int) -> FloatArray:
    """Which bins of a transform belong to which semitone, shape (bins, bands)."""
    hz = np.fft.rfftfreq(size, 1.0 / rate)
    centres = np.array([pitch_to_hz(pitch) for pitch in range(MIN_BAND, MAX_BAND + 1)])
    edges = centres * 2.0 ** (-0.5 / 12.0)
    bands = ((hz[:, None] >= edges) & (hz[:, None] < edges * 2.0 ** (1.0 / 12.0))).astype(float)
    for band in np.flatnonzero(bands.sum(axis=0) == 0.0):
        bands[np.argmin(np.abs(hz - centres[band])), band] = 1.0
    return np.asarray(bands)


def nearest_semitones(partials: int) -> np.ndarray:
    """Return the semitones of the first partials over their fundamental, rounded."""
    return np.array([nearest(12.0 * float(np.log2(k))) for k in range(1, partials + 1)])

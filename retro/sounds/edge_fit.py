"""How well every attack or decay of a table fits a rise or a fall that is heard in a room.

Method. In the band of a partial a microphone hears the tone, the room's answer to it, whose phase
is random, and noise. The mean over bands of the logarithm of the energy has an expectation in
closed form: ``ln D + E1(D / V)`` for a tone of energy D and a random part V, which together are
distributed as Rice says. What the room does to it hangs together over time, since its answer
changes only by what is added and what dies away. The misfit of a figure is that of the expectation
with this covariance, least over the moment and over a steady slope of the level.

Misfits of the notes of one player add up, and where the sum is least is the player's figure. The
room answers a pitch alike each time, so notes of one pitch are off alike: they count for fewer.
Where it is not told how much of the room is heard, the sum is least over that, too. How much the
figure moves when pitches are drawn anew says how sure it is.

Conventions
-----------
Energies are ratios to the full level of a tone; times are seconds. A table of shapes has a row for
every figure and a column every `STEP_S`.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.signal import lfilter
from scipy.special import exp1

from retro.model.sound import NEPERS_60_DB, FloatArray, Room, rise_s, risen
from retro.model.tones import IntArray
from retro.sounds.free_notes import Edge

ATTACKS_S = np.geomspace(0.004, 1.0, 29)
DECAYS_S = np.geomspace(0.03, 20.0, 33)

STEP_S = 0.001
SHAPE_S = {Edge.RISE: (-0.35, 1.6), Edge.FALL: (-0.75, 1.6), Edge.RING: (-0.3, 2.4)}
"""From when to when shapes are known, about their moment."""

THRESHOLD_DB = 10.0
"""The moment of a rise is where it comes within this of full."""

FLOOR = 10.0**-3.5
"""Energy that is added to what is heard and to what is expected: nothing below it is compared."""

JOINED = 3
"""Partials in a band whose energies even out, in part."""

JOINED_WEIGHT = 1.5
"""As how many independent partials they count: the first is the strongest by far."""

UNEVEN, UNEVEN_S, GRAIN = 0.08, 0.05, 0.03
"""What no law says of a tone: deviation and duration of its unevenness, and of what is left."""

SLOPES = {Edge.RISE: 1.0, Edge.FALL: 1.0, Edge.RING: 0.01}
STRUCK_SLOPE = 8.0
"""Deviation of the slope of a level in nepers of energy a second: a swell of 4 dB a second; a
struck tone falls from its stroke on."""

COARSE = 4
"""Every which moment is tried first; then those about the best."""

HALF_BAND = 2
"""Bins of a window on each side of a partial that are its band."""

ALIKE_NOISE = 1.5
"""Bands whose noise differs by less (6 dB) are worked out as one."""

DRAWS = 200
NOTES_DIFFER = 9.0
"""Most that one note says against a figure."""

ALIKE = 0.5
"""Correlation of what notes of one pitch are off by: about that of made takes (0.6 of rises, 0.4 of
falls), where notes of different pitches had none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What is heard of one edge.

    Parameters
    ----------
    edge, is_struck
        Which; a struck tone falls meanwhile.
    times_s
        Instants from the expected moment on.
    level
        Mean over bands of the logarithm of the energy, shape (instants,).
    noise
        Energy of noise and background in every band.
    joined
        Which bands hold `JOINED` partials or more.
    window_s
        Length of the windows.
    starts_s
        Moments that are tried.
    filled
        How full the room had become.
    """

    edge: Edge
    is_struck: bool
    times_s: FloatArray
    level: FloatArray
    noise: FloatArray
    joined: tuple[bool, ...]
    window_s: float
    starts_s: FloatArray
    filled: float

    @property
    def figures_s(self) -> FloatArray:
        """The figures that are tried."""
        return ATTACKS_S if self.edge is Edge.RISE else DECAYS_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """A figure, and the deviation of its logarithm: by what is heard of each note, and in all.

    That of all grows with how much the notes differ.
    """

    figure_s: float
    heard_error: float
    error: float


def misfits(course: Course, room: Room, nominal_s: float) -> FloatArray:
    """Return how badly every figure fits a course, in deviations squared, shape (figures,).

    Parameters
    ----------
    room
        The room as the microphone hears it.
    nominal_s
        About what the figure is: by it the covariance is worked out.
    """
    tables = {
        joined: _shapes(course.edge, course.window_s, room, round(course.filled, 1), joined=joined)
        for joined in set(course.joined)
    }
    white = _whitening(course, room, nominal_s)
    level, flat = white @ course.level, white.sum(axis=1)
    flat /= math.sqrt(float(flat @ flat))
    is_stroke = course.is_struck and course.edge is Edge.RISE
    slope = white @ _since(course)
    slope -= float(slope @ flat) * flat
    free = float(slope @ slope) + 1.0 / (STRUCK_SLOPE if is_stroke else SLOPES[course.edge]) ** 2
    alike = _alike(course)

    def misses(row: int, starts: IntArray) -> FloatArray:
        expected = _heard(course, {key: table[row] for key, table in tables.items()}, alike, starts)
        rest = level - expected @ white.T
        rest -= (rest @ flat)[:, np.newaxis] * flat
        return np.asarray((rest * rest).sum(axis=1) - (rest @ slope) ** 2 / free)

    count = course.starts_s.size
    coarse = np.arange(0, count, COARSE)
    found = np.empty(course.figures_s.size)
    for row in range(found.size):
        near = COARSE * int(misses(row, coarse).argmin())
        fine = np.arange(max(near - COARSE + 1, 0), min(near + COARSE, count))
        found[row] = float(misses(row, fine).min())
    return found / max(1.0, float(found.min()) / course.level.size)


def _heard(
    course: Course,
    shapes: Mapping[bool, FloatArray],
    alike: Sequence[tuple[bool, float, float]],
    starts: IntArray,
) -> FloatArray:
    """Return what is expected if an edge lies at some starts, shape (starts, instants)."""
    first_s, _ = SHAPE_S[course.edge]
    at = (course.times_s - course.starts_s[starts, np.newaxis] - first_s) / STEP_S
    low = np.clip(at.astype(np.int64), 0, next(iter(shapes.values())).size - 2)
    share = np.clip(at - low, 0.0, 1.0)
    between = {
        joined: shape[low] * (1.0 - share) + shape[low + 1] * share
        for joined, shape in shapes.items()
    }
    expected = np.zeros(at.shape)
    for joined, noise, weight in alike:
        expected += weight * np.logaddexp(between[joined], noise)
    return expected


def fitted(
    misfit: Sequence[FloatArray],
    pitches: Sequence[int],
    figures_s: FloatArray,
    against: FloatArray | float = 0.0,
) -> Fitted:
    """Return the figure that fits the notes of a player best together.

    Parameters
    ----------
    misfit
        Of every note, at least one; shape (figures,), or (rooms, figures).
    pitches
        Of every note.
    against
        What else speaks against every room; shape (rooms, 1).
    """
    rows = by_pitch(misfit, pitches)

    def together(some: FloatArray) -> FloatArray:
        return np.asarray(np.atleast_2d(some.sum(axis=0) + against).min(axis=0))

    chance = np.random.default_rng(0)
    drawn = [
        math.log(lowest(together(rows[chance.integers(0, len(rows), len(rows))]), figures_s))
        for _ in range(DRAWS)
    ]
    total = together(rows)
    heard_error = _width(total, figures_s)
    return Fitted(
        figure_s=lowest(total, figures_s),
        heard_error=heard_error,
        error=max(float(np.std(drawn)), heard_error),
    )


def by_pitch(misfit: Sequence[FloatArray], pitches: Sequence[int]) -> FloatArray:
    """Return what the notes of every pitch say together against each figure."""
    of_pitch: dict[int, list[FloatArray]] = {}
    for pitch, one in zip(pitches, misfit, strict=True):
        of_pitch.setdefault(pitch, []).append(np.minimum(one - one.min(), NOTES_DIFFER))
    return np.array(
        [np.sum(some, axis=0) / (1.0 + ALIKE * (len(some) - 1)) for some in of_pitch.values()]
    )


def lowest(misfit: FloatArray, figures_s: FloatArray) -> float:
    """Return the figure at which a misfit is least, between those that were tried."""
    at = int(misfit.argmin())
    if not 0 < at < misfit.size - 1:
        return float(figures_s[at])
    below, least, above = misfit[at - 1 : at + 2]
    bend = float(below - 2.0 * least + above)
    share = 0.5 * float(below - above) / bend if bend > 0.0 else 0.0
    return float(figures_s[at] * (figures_s[1] / figures_s[0]) ** share)


def _width(misfit: FloatArray, figures_s: FloatArray) -> float:
    """Return by what share a figure may move until it fits worse by one."""
    at = int(misfit.argmin())
    step = math.log(figures_s[1] / figures_s[0])
    if not 0 < at < misfit.size - 1:
        return step
    bend = float(misfit[at - 1] - 2.0 * misfit[at] + misfit[at + 1])
    return step * math.sqrt(2.0 / bend) if bend > 0.0 else step


def _alike(course: Course) -> list[tuple[bool, float, float]]:
    """Return the bands by joined, log of noise and share, those of about one noise together."""
    groups: dict[tuple[bool, int], list[float]] = {}
    for joined, noise in zip(course.joined, np.log(course.noise).tolist(), strict=True):
        groups.setdefault((joined, math.floor(noise / ALIKE_NOISE)), []).append(noise)
    return [
        (joined, sum(noises) / len(noises), len(noises) / len(course.joined))
        for (joined, _), noises in groups.items()
    ]


def _since(course: Course) -> FloatArray:
    """Return how long a level has had its slope: behind a rise, up to a fall."""
    if course.edge is Edge.RISE:
        return np.maximum(course.times_s, 0.0)
    return np.minimum(course.times_s, 0.0)


def _sound(edge: Edge, t_s: FloatArray, figure_s: float) -> FloatArray:
    """Return the energy of a tone about its moment."""
    if edge is Edge.RISE:
        return risen(t_s + float(rise_s(THRESHOLD_DB, figure_s)), figure_s)
    since_s = np.maximum(t_s, 0.0)
    energy = np.exp(NEPERS_60_DB * since_s / figure_s)
    return np.asarray(np.where(t_s < 0.0, 0.0, energy) if edge is Edge.RING else energy)


def _answer(
    edge: Edge, sound: FloatArray, t_s: FloatArray, room: Room, filled: float
) -> FloatArray:
    """Return the energy of the room that hears a tone, instants evenly apart."""
    kept = math.exp(NEPERS_60_DB * float(t_s[1] - t_s[0]) / room.reverberation_s)
    first = int(np.searchsorted(t_s, 0.0)) if edge is Edge.FALL else 0
    before = filled if edge is Edge.FALL else 0.0
    after, _ = lfilter([1.0 - kept], [1.0, -kept], sound[first:], zi=np.array([kept * before]))
    return np.asarray(room.share * np.concatenate((np.full(first, filled), after)))


@lru_cache(maxsize=256)
def _shapes(edge: Edge, window_s: float, room: Room, filled: float, *, joined: bool) -> FloatArray:
    """Return the expected logarithm of the energy of tones of every figure."""
    first_s, last_s = SHAPE_S[edge]
    steps = np.arange(round((last_s - first_s) / STEP_S), dtype=np.float64)
    t_s: FloatArray = np.asarray(steps * STEP_S + first_s)
    seen = _windowed if joined else _in_one_band
    rows = []
    for figure_s in ATTACKS_S if edge is Edge.RISE else DECAYS_S:
        sound = _sound(edge, t_s, float(figure_s))
        answer = _answer(edge, sound, t_s, room, filled)
        through = seen(sound, window_s), _windowed(answer, window_s)
        rows.append(_expected(*through, joined=joined))
    return np.array(rows)


def _window(window_s: float) -> FloatArray:
    return np.asarray(np.hanning(max(round(window_s / STEP_S), 1) + 2)[1:-1])


def _windowed(energy: FloatArray, window_s: float) -> FloatArray:
    """Return an energy as windows see it in all bands together."""
    weight = _window(window_s) ** 2
    padded = np.pad(energy, weight.size, mode="edge")
    return np.asarray(
        np.convolve(padded, weight / weight.sum(), "same")[weight.size : -weight.size]
    )


def _in_one_band(energy: FloatArray, window_s: float) -> FloatArray:
    """Return the energy of a partial as windows see it in its band: an edge spreads beyond it."""
    window = _window(window_s)
    padded = np.pad(np.sqrt(energy), window.size, mode="edge")
    turns = np.arange(window.size) / window.size
    seen = np.zeros(padded.size)
    for place in range(-HALF_BAND, HALF_BAND + 1):
        seen += (
            np.abs(np.convolve(padded, window * np.exp(2j * np.pi * place * turns), "same")) ** 2
        )
    full = np.abs(np.fft.fft(window)[np.arange(-HALF_BAND, HALF_BAND + 1)]) ** 2
    return np.asarray(seen[window.size : -window.size] / full.sum())


def _expected(sound: FloatArray, random: FloatArray, *, joined: bool) -> FloatArray:
    """Return the mean logarithm of the energy of a tone and of something of random phase."""
    sound, random = np.maximum(sound, 1e-12), np.maximum(random, 1e-12)
    one = np.log(sound) + exp1(np.clip(sound / random, 1e-12, 200.0))
    return np.asarray(0.5 * (one + np.log(sound + random)) if joined else one)


def _whitening(course: Course, room: Room, nominal_s: float) -> FloatArray:
    """Return the matrix that makes the errors of a course independent and of deviation 1."""
    t_s = course.times_s
    moment_s = float(course.starts_s[course.starts_s.size // 2])
    sound = _sound(course.edge, t_s - moment_s, nominal_s) + 1e-5
    random = _answer(course.edge, sound, t_s - moment_s, room, course.filled)
    tone = sound + random
    # The answer changes by what is added while it grows, by what dies away while it falls.
    if course.edge is Edge.RISE:
        earlier, random = np.minimum(t_s[:, np.newaxis], t_s), np.maximum.accumulate(random)
        together = np.interp(earlier, t_s, random)
    else:
        later, random = np.maximum(t_s[:, np.newaxis], t_s), np.maximum.accumulate(random[::-1])
        together = np.interp(later, t_s, random[::-1])
    noise = math.exp(float(np.mean(np.log(course.noise))))
    of_tone = tone / (tone + noise)
    of_noise = np.sqrt(noise / (tone + noise))
    lag_s = np.abs(t_s[:, np.newaxis] - t_s)
    partials = sum(JOINED_WEIGHT if joined else 1.0 for joined in course.joined)
    covariance = 2.0 * together / np.sqrt(np.outer(tone, tone)) * np.outer(of_tone, of_tone)
    overlap = np.clip(1.0 - lag_s / (0.6 * course.window_s), 0.0, 1.0)
    covariance += 1.6 * np.outer(of_noise, of_noise) * overlap
    covariance /= partials
    covariance += UNEVEN**2 * np.exp(-lag_s / UNEVEN_S) + GRAIN**2 * np.eye(t_s.size)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)))

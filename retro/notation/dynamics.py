"""Levels and hairpins: few and meaningful, out of velocities and controllers.

The intensity of a player's line is cut into the fewest stretches that explain it, each one steady
or steadily rising or falling (least squares with a price per stretch). A steady stretch becomes a
level, a sloping one a hairpin with a level at its end.

Conventions
-----------
An intensity is a place on the scale p 2, mp 3, mf 4, f 5, ff 6, fff 7; below p it goes by ratio.
"""

import math
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from itertools import accumulate

import numpy as np

from retro.model.instruments import Sound
from retro.model.loudness import PartLoudness, is_moving
from retro.model.performance import Performance
from retro.model.phrase import EXPRESSION, MODULATION, VOLUME
from retro.model.time import Bar, bar_index
from retro.notation.score import Chord, Hairpin, Level
from retro.units import nearest

LEVELS = ("ppp", "pp", "p", "mp", "mf", "f", "ff", "fff")

VELOCITIES_A_LEVEL = 16
"""ppp is velocity 16, mf 80, f 96, each level 16 apart (common practice)."""

ACCENT_VELOCITIES = 20
"""A note so much louder than both neighbours is accented; it is no new level (our own estimate)."""

MIN_HAIRPIN_BEATS = Fraction(1)
MIN_HAIRPIN = 1.0
MIN_STEP = 0.8
"""What is worth a sign on the page, in beats and in levels (our own estimate)."""

MIN_SAID_BARS = 6
"""Bars over which a hairpin is no longer seen at one glance: "poco a poco" (our own estimate)."""

BARS_A_LEVEL = 2
"""Bars between the levels on the way, at least (our own choice)."""

SOFT = 2.0
SOFT_LEVELS_AN_OCTAVE = 2.0
"""Below p, levels go by ratio: half the velocity is two levels less, as it is above mf
(12 dB by the square law of MIDI's expression; 6 dB a level is our own choice)."""

REST_BEATS = Fraction(1)
"""A silence after which intensity is looked at anew."""

END_BEATS = Fraction(1, 16)
"""How far within a note its end is looked at: there controllers are reset for what comes next (in
the target: before), and hands are not exact (our own choice)."""

_SPREAD = 0.6
_CURVE_SPREAD = 0.5
"""How far intensities stray from what is meant, in levels: velocities of hands, and a controller's
curve, which somebody drew or moved on purpose."""

_PRICE = 4.0
_SLOPE_PRICE = 3.0
_SHORT_PRICE = 6.0
_SHORT_BEATS = 2.0
_SHORT_SLOPE_BEATS = 1.5
"""From first to last point; that of a slope of two beats may stand half a beat before its end."""

_SAMPLE_BEATS = Fraction(1, 2)
_MAX_POINTS = 400
"""Points of one stretch, so that the cost grows with the points and not with their square; what
goes on for longer is cut there and, being of one level or direction, reads the same."""

_BLOCK = 64
"""Ends that are weighed at once; bounds the memory of a long line."""


@dataclass(frozen=True, slots=True)
class _Point:
    at: Fraction
    intensity: float


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A steady or sloping stretch, with its intensities at both ends."""

    start: Fraction
    end: Fraction
    first: float
    last: float
    slopes: bool


def is_accented(velocities: Sequence[int], place: int) -> bool:
    """Whether one chord of a line is clearly louder than those around it.

    The neighbours are the two chords on each side; a chord at an end has them on one side only,
    and is never accented.
    """
    if not 0 < place < len(velocities) - 1:
        return False
    around = (*velocities[max(place - 2, 0) : place], *velocities[place + 1 : place + 3])
    return velocities[place] - max(around) >= ACCENT_VELOCITIES


def chord_velocities(performance: Performance, chords: Iterable[Chord]) -> list[int]:
    """Loudest velocity of each chord."""
    notes = performance.notes
    return [max(notes[i].target.velocity for i in chord.all_notes) for chord in chords]


def dynamics(
    performance: Performance, chords: Sequence[Chord]
) -> tuple[tuple[Level, ...], tuple[Hairpin, ...]]:
    """Return the levels and hairpins of one player, in order; the first chord has a level.

    `chords` are all of the player, in order of their beginnings.
    """
    if not chords:
        return (), ()
    levels: list[Level] = []
    hairpins: list[Hairpin] = []
    now: float | None = None
    bars = performance.insert.bars
    index = performance.notes[chords[0].notes[0]].part
    together = _velocities(performance, index)
    spread = _CURVE_SPREAD if _is_shaped(performance, index) else _SPREAD
    for run in _runs(chords):
        points = _points(performance, run, together)
        ons = {chord.on_beats for chord in run}
        for stretch in _joined(_stretches(points, spread), ons):
            now = _print(stretch, now, levels, hairpins)
            if hairpins and hairpins[-1].start_beats == stretch.start:
                hairpins[-1] = _said(hairpins[-1], bars)
                levels[-1:-1] = _on_the_way(hairpins[-1], stretch, points, bars, levels[-2:])
    within = _Inside(chords, performance.settings.grid_beats)
    return (
        tuple(replace(level, at_beats=within.pull(level.at_beats)) for level in levels),
        tuple(replace(pin, end_beats=within.pull(pin.end_beats)) for pin in hairpins),
    )


@dataclass(frozen=True)
class _Inside:
    """Keeps signs from standing where no note sounds any more."""

    chords: Sequence[Chord]
    unit: Fraction

    @cached_property
    def _ons(self) -> list[Fraction]:
        return [chord.on_beats for chord in self.chords]

    @cached_property
    def _until(self) -> list[Fraction]:
        """Until when one of the chords up to each sounds."""
        return list(accumulate((chord.off_beats for chord in self.chords), max))

    @cached_property
    def _last_on(self) -> dict[Fraction, Fraction]:
        """Where the last of those begins that end together."""
        return {chord.off_beats: chord.on_beats for chord in self.chords}

    def pull(self, at: Fraction) -> Fraction:
        begun = bisect_right(self._ons, at)
        if begun and at < self._until[begun - 1]:
            return at
        return max(at - self.unit, self._last_on[at]) if at in self._last_on else at


def _runs(chords: Sequence[Chord]) -> list[list[Chord]]:
    runs: list[list[Chord]] = []
    until = Fraction(0)
    for chord in chords:
        if not runs or chord.on_beats - until >= REST_BEATS:
            runs.append([])
        runs[-1].append(chord)
        until = max(until, chord.off_beats)
    return runs


def _points(
    performance: Performance, chords: Sequence[Chord], together: Mapping[Fraction, int]
) -> list[_Point]:
    """Sample the intensity: at every beginning, and inside notes that a controller shapes."""
    index = performance.notes[chords[0].notes[0]].part
    part = performance.insert.parts[index]
    inside = _is_shaped(performance, index)
    loudness = PartLoudness.of(part)
    found: dict[Fraction, list[float]] = defaultdict(list)
    velocities = _without_accents([together[chord.on_beats] for chord in chords])
    for chord, velocity in zip(chords, velocities, strict=True):
        times = [chord.on_beats]
        if inside:
            first = nearest(chord.on_beats / _SAMPLE_BEATS) + 1
            last = nearest(chord.off_beats / _SAMPLE_BEATS)
            times += [
                k * _SAMPLE_BEATS
                for k in range(first, last)
                if chord.on_beats < k * _SAMPLE_BEATS < chord.off_beats
            ]
            times.append(chord.off_beats)
        for at in times:
            inside_beats = max(min(at, chord.off_beats - END_BEATS), chord.on_beats)
            found[at].append(_intensity(loudness.loudness_at(velocity, inside_beats)))
    return [_Point(at, max(found[at])) for at in sorted(found)]


def _is_shaped(performance: Performance, index: int) -> bool:
    """Whether a controller shapes the tones of a part."""
    part = performance.insert.parts[index]
    sustained = performance.players[index].instrument.sound is Sound.SUSTAINED
    controllers = (part.controller(number) for number in (MODULATION, VOLUME, EXPRESSION))
    return sustained and any(map(is_moving, controllers))


def _velocities(performance: Performance, part: int) -> dict[Fraction, int]:
    """Loudest velocity of what a section begins together: its players share their dynamics."""
    loudest: dict[Fraction, int] = defaultdict(int)
    for note in performance.notes:
        if note.part == part:
            on = note.written_on_beats
            loudest[on] = max(loudest[on], note.target.velocity)
    return loudest


def _without_accents(velocities: Sequence[int]) -> list[int]:
    return [
        (velocities[i - 1] + velocities[i + 1]) // 2 if is_accented(velocities, i) else velocity
        for i, velocity in enumerate(velocities)
    ]


def _intensity(loudness: float) -> float:
    """Return the intensity of a loudness: soft ones by ratio, so that a soft swell is one too."""
    place = loudness / VELOCITIES_A_LEVEL - 1.0
    if place >= SOFT:
        return min(place, len(LEVELS) - 1.0)
    ratio = max(loudness, 1.0) / ((SOFT + 1.0) * VELOCITIES_A_LEVEL)
    return SOFT + math.log2(ratio) * SOFT_LEVELS_AN_OCTAVE


def _place(intensity: float) -> float:
    """Return the place on the scale of the names that an intensity stands for."""
    if intensity >= SOFT:
        return intensity
    return max((SOFT + 1.0) * math.exp2((intensity - SOFT) / SOFT_LEVELS_AN_OCTAVE) - 1.0, 0.0)


def _stretches(points: Sequence[_Point], spread: float) -> list[_Stretch]:
    """Cut the points into the cheapest stretches (dynamic programming over their ends)."""
    x = np.array([float(point.at) for point in points])
    y = np.array([point.intensity for point in points])
    sums = [np.concatenate(([0.0], np.cumsum(v))) for v in (x, y, x * x, x * y, y * y)]
    best = np.zeros(len(points) + 1)
    cuts = np.zeros(len(points) + 1, dtype=int)
    sloping = np.zeros(len(points) + 1, dtype=bool)
    for block in range(1, len(points) + 1, _BLOCK):
        ends = np.arange(block, min(block + _BLOCK, len(points) + 1))
        starts = np.arange(max(block - _MAX_POINTS, 0), ends[-1])
        steady, slope = _misfits(sums, starts, ends[:, np.newaxis], spread)
        is_whole = (starts == 0) & (ends[:, np.newaxis] == len(points))
        span, is_part = x[ends - 1, np.newaxis] - x[starts], ~is_whole
        short = _SHORT_PRICE * (is_part & (span < _SHORT_BEATS))
        slope += _SLOPE_PRICE + _SHORT_PRICE * (is_part & (span < _SHORT_SLOPE_BEATS))
        costs = _PRICE + np.minimum(steady + short, slope)
        is_sloping = slope < steady + short
        for row, end in enumerate(ends):
            cheapest = int(np.argmin(best[starts] + costs[row]))
            cuts[end] = starts[cheapest]
            best[end] = best[starts[cheapest]] + costs[row, cheapest]
            sloping[end] = is_sloping[row, cheapest]
    stretches = []
    last = len(points)
    while last > 0:
        first = int(cuts[last])
        stretches.append(_fitted(points[first:last], bool(sloping[last])))
        last = first
    return stretches[::-1]


def _misfits(
    sums: Sequence[np.ndarray[tuple[int], np.dtype[np.float64]]],
    starts: np.ndarray,
    ends: np.ndarray,
    spread: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Squared misfit, in spreads, of a constant and of a line from every start to every end.

    ``inf`` where there is no such stretch; shapes broadcast.
    """
    n = np.maximum(ends - starts, 1)
    sx, sy, sxx, sxy, syy = (s[ends] - s[starts] for s in sums)
    vxx, vxy, vyy = sxx - sx * sx / n, sxy - sx * sy / n, syy - sy * sy / n
    explained = np.divide(vxy * vxy, vxx, out=np.zeros(n.shape), where=vxx > 1e-9)
    steady = np.maximum(vyy, 0.0) / spread**2
    slope = np.maximum(vyy - explained, 0.0) / spread**2
    is_one = (starts < ends) & (ends - starts <= _MAX_POINTS)
    return np.where(is_one, steady, np.inf), np.where(is_one & (n >= 3), slope, np.inf)


def _fitted(points: Sequence[_Point], slopes: bool) -> _Stretch:
    start, end = points[0].at, points[-1].at
    y = np.array([point.intensity for point in points])
    if not slopes:
        middle = float(np.median(y))
        return _Stretch(start, end, middle, middle, slopes=False)
    x = np.array([float(point.at) for point in points])
    gradient, offset = np.polyfit(x, y, 1)
    first, last = np.clip(gradient * x[[0, -1]] + offset, y.min(), y.max())
    worth = abs(last - first) >= MIN_HAIRPIN and end - start >= MIN_HAIRPIN_BEATS
    if not worth:
        return _fitted(points, slopes=False)
    return _Stretch(start, end, float(first), float(last), slopes=True)


def _joined(stretches: Sequence[_Stretch], ons: Set[Fraction]) -> list[_Stretch]:
    """Join slopes of one direction that follow each other: a bent swell is one hairpin."""
    joined = list(stretches[:1])
    for stretch in stretches[1:]:
        before = joined[-1]
        same_way = (before.last > before.first) is (stretch.last > stretch.first)
        if not (before.slopes and stretch.slopes):
            joined.append(stretch)
        elif same_way:
            joined[-1] = replace(before, end=stretch.end, last=stretch.last)
        else:
            joined[-1:] = _turning(before, stretch, ons)
    return joined


def _turning(before: _Stretch, after: _Stretch, ons: Set[Fraction]) -> tuple[_Stretch, _Stretch]:
    """Let two slopes that follow at once meet: where a note begins, else where they turn."""
    if after.start - before.end > _SAMPLE_BEATS:
        return before, after
    way = 1 if before.last > before.first else -1
    at, intensity = max(
        (before.end, before.last),
        (after.start, after.first),
        key=lambda turn: (turn[0] in ons, way * turn[1]),
    )
    return replace(before, end=at, last=intensity), replace(after, start=at, first=intensity)


def _print(
    stretch: _Stretch, now: float | None, levels: list[Level], hairpins: list[Hairpin]
) -> float:
    """Add what one stretch needs; give the intensity that the reader then has in mind."""
    if now is None or abs(stretch.first - now) >= MIN_STEP:
        now = stretch.first
        _add_level(levels, stretch.start, now)
    if not stretch.slopes:
        return now
    rises = stretch.last > stretch.first
    hairpins.append(Hairpin(start_beats=stretch.start, end_beats=stretch.end, crescendo=rises))
    _add_level(levels, stretch.end, stretch.last)
    return stretch.last


def _said(hairpin: Hairpin, bars: Sequence[Bar]) -> Hairpin:
    """Return a hairpin that goes over many bars in words."""
    first = bar_index(bars, hairpin.start_beats)
    last = bar_index(bars, hairpin.end_beats, is_end=True)
    if last - first + 1 < MIN_SAID_BARS:
        return hairpin
    word = "cresc." if hairpin.crescendo else "dim."
    return replace(hairpin, text=f"{word} poco a poco")


def _on_the_way(
    hairpin: Hairpin,
    stretch: _Stretch,
    points: Sequence[_Point],
    bars: Sequence[Bar],
    ends: Sequence[Level],
) -> list[Level]:
    """Return the levels that a long change passes at bar lines, between those at its ends."""
    if not hairpin.text:
        return []
    at, intensity = zip(*((float(point.at), point.intensity) for point in points), strict=True)
    said, last = LEVELS.index(ends[0].text), LEVELS.index(ends[-1].text)
    way = 1 if stretch.last > stretch.first else -1
    found: list[Level] = []
    latest = bar_index(bars, stretch.start)
    for index in range(latest + BARS_A_LEVEL, bar_index(bars, stretch.end, is_end=True)):
        place = bars[index].start_beats
        now = nearest(_place(float(np.interp(float(place), at, intensity))))
        is_between = said * way < now * way < last * way
        if is_between and index - latest >= BARS_A_LEVEL:
            found.append(Level(at_beats=place, text=LEVELS[now]))
            said, latest = now, index
    return found


def _add_level(levels: list[Level], at: Fraction, intensity: float) -> None:
    if levels and levels[-1].at_beats == at:
        levels.pop()
    if not levels or levels[-1].text != _name(intensity):
        levels.append(Level(at_beats=at, text=_name(intensity)))


def _name(intensity: float) -> str:
    return LEVELS[nearest(_place(intensity))]

"""The written grid: performed times become times that can be written and read.

Every beat of every part gets the division that explains its beginnings and ends best: the squared
timing error is weighed against how hard the division is to read. Beginnings and ends that lie
closer than players play together are joined first (chords played slightly apart, rolled chords,
legato). Residuals are what the paper cannot say; the plan reports them.

Conventions
-----------
An edge is a beginning or an end of a note. `phrase` is the mirrored one, so its beginnings are the
target's releases and its ends the target's attacks. The weights are ours, tuned on made examples;
the tolerances rest on published spreads of ensemble playing (30 to 50 ms, Rasch 1979).
"""

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from retro.model.phrase import Note, Part, Phrase
from retro.model.time import Bar, Span, TempoMap, pulses
from retro.units import nearest

JOIN_S = 0.03
JOIN_TOTAL_S = 0.06
"""Edges as close as this to the one before, and to the first, are meant together."""

ROLL_STEP_S = 0.05
FINE_ROLL_STEP_S = 0.09
ROLL_TOTAL_S = 0.4
"""Steps of a rolled chord at most, those that the grid can tell apart and finer ones, and its
length (our own estimates; of the rolls that `retro.reversal.rolls` names, most lie within)."""

TOLERANCE_S = 0.03
TOLERANCE_BEATS = 0.06
"""Usual timing error of an edge; the smaller of the two holds."""

RELEASE_WEIGHT = 0.5
"""What the target's releases count against its attacks: players are looser with them (from the
ensemble spreads; the share is our own estimate)."""

EXACT_BEATS = Fraction(1, 200)
"""An edge as near as this to its slot was put there by a machine."""

_MAX_STRAY = 3.0
_FAR = 3.0
"""What an edge costs more that is written further off than a unit of the grid: however loosely it
was played, a simpler rhythm is not worth that."""

_MERGED = 6.0
_DOUBTFUL_TUPLET = 3.0
_GATES = 5
"""Sequencers let notes last 60 or 80 % of their beat: however exact, that is no quintuplet without
an attack inside it."""

_FINER = 6.0
_CHANGE_OF_KIND = 0.4
_EXACT_SHARE = 0.4
_LEVEL_COSTS = (0.0, 0.7, 1.6, 3.0, 4.5)
_TUPLET_COSTS = {1: {3: 1.8, 6: 4.5, 5: 5.0}, 3: {2: 3.0, 4: 4.5}}


def quantize(
    phrase: Phrase, *, grid_beats: Fraction, straighten_swing: bool = False
) -> tuple[tuple[Span, ...], ...]:
    """Return (on, off) of every note of the mirrored phrase on the grid, part by part.

    No span is empty, all lie inside the phrase. `grid_beats` is the finest unit in quarter notes;
    tuplets may be finer by a third, and a beat in which successive notes would fall together by a
    half. Beats with a swung pair are written as even halves where `straighten_swing`.
    """
    beats = tuple(_beats(phrase.bars, grid_beats))
    return tuple(
        _quantize_part(part, phrase, beats, grid_beats, straighten_swing) for part in phrase.parts
    )


@dataclass(frozen=True, slots=True)
class _Division:
    """One way to divide a beat: slots, cost of reading, whether it is a tuplet."""

    slots: int
    cost: float
    is_tuplet: bool


@dataclass(frozen=True, slots=True)
class _Beat:
    """A beat; `unit` is the grid's, as a share of it."""

    start: Fraction
    length: Fraction
    unit: Fraction
    divisions: tuple[_Division, ...]

    def slot(self, at: Fraction, slots: int) -> Fraction:
        return self.start + nearest((at - self.start) / self.length * slots) * self.length / slots


@dataclass(frozen=True, slots=True)
class _Edge:
    at: Fraction
    at_s: float
    note: int
    is_on: bool


@dataclass(frozen=True, slots=True)
class _Cluster:
    """Edges that are meant together, and where."""

    at: Fraction
    edges: tuple[_Edge, ...]

    @property
    def has_on(self) -> bool:
        return any(edge.is_on for edge in self.edges)

    @property
    def has_off(self) -> bool:
        return not all(edge.is_on for edge in self.edges)


def _beats(bars: Sequence[Bar], grid: Fraction) -> Iterator[_Beat]:
    """Yield the beats that are counted, half notes and longer ones split into quarters."""
    lines = [bars[0].start_beats, *(bar.end_beats for bar in bars)]
    for start, end in pairwise(sorted({*lines, *(at for at, _ in pulses(bars))})):
        length = end - start
        step = Fraction(1) if length > Fraction(3, 2) else length
        at = start
        while at < end:
            part = min(step, end - at)
            yield _Beat(at, part, grid / part, _divisions(part, grid))
            at += part


def _divisions(length: Fraction, grid: Fraction) -> tuple[_Division, ...]:
    """Return the divisions of a beat that the grid allows, the simplest first."""
    kind = length.numerator
    if kind not in _TUPLET_COSTS:
        slots = max(-(-length // grid), 1)
        return (_Division(slots, 0.0, False), _Division(2 * slots, _FINER, False))
    natural = [1] if kind == 1 else [1, 3]
    while length / natural[-1] > grid:
        natural.append(2 * natural[-1])
    costs = [*_LEVEL_COSTS, *([_LEVEL_COSTS[-1]] * len(natural))]
    kept = [_Division(slots, costs[i], False) for i, slots in enumerate(natural)]
    kept.append(_Division(2 * natural[-1], costs[len(natural)] + _FINER, False))
    kept += [
        _Division(slots, cost, True)
        for slots, cost in _TUPLET_COSTS[kind].items()
        if length / slots >= grid * 2 / 3
    ]
    return tuple(kept)


def _quantize_part(
    part: Part, phrase: Phrase, beats: Sequence[_Beat], grid: Fraction, straighten: bool
) -> tuple[Span, ...]:
    if not part.notes:
        return ()
    starts = [beat.start for beat in beats]
    clusters = _clusters(part.notes, phrase.tempo, [*starts, phrase.length_beats], grid)
    by_beat: dict[int, list[_Cluster]] = defaultdict(list)
    for cluster in clusters:
        by_beat[max(bisect_right(starts, cluster.at) - 1, 0)].append(cluster)
    busy = sorted(by_beat)
    chosen = _choose([beats[i] for i in busy], [by_beat[i] for i in busy], phrase.tempo)
    ons: dict[int, Fraction] = {}
    offs: dict[int, Fraction] = {}
    units: dict[int, Fraction] = {}
    for index, division in zip(busy, chosen, strict=True):
        beat = beats[index]
        places = {c.at: beat.slot(c.at, division.slots) for c in by_beat[index]}
        if straighten and division.slots == 3:
            places = _straightened(places, beat)
        for cluster in by_beat[index]:
            for edge in cluster.edges:
                (ons if edge.is_on else offs)[edge.note] = places[cluster.at]
                if edge.is_on:
                    units[edge.note] = beat.length / division.slots
    spans = [(ons[i], offs[i]) for i in range(len(part.notes))]
    spans = _close(part.notes, _even(part.notes, spans, grid), grid)
    return tuple(_with_length(part.notes, spans, units, grid, phrase.length_beats))


def _straightened(places: dict[Fraction, Fraction], beat: _Beat) -> dict[Fraction, Fraction]:
    """Put the inner slot of a swung beat on its half, unless the beat is a full triplet."""
    inner = {place for place in places.values() if beat.start < place < beat.start + beat.length}
    if len(inner) != 1:
        return places
    half = beat.start + beat.length / 2
    return {at: half if place in inner else place for at, place in places.items()}


def _clusters(
    notes: Sequence[Note], tempo: TempoMap, beats: Sequence[Fraction], grid: Fraction
) -> list[_Cluster]:
    edges = sorted(
        (
            _Edge(at, float(tempo.seconds_at(at)), i, is_on)
            for i, note in enumerate(notes)
            for at, is_on in ((note.on_beats, True), (note.off_beats, False))
        ),
        key=lambda edge: (edge.at, edge.is_on, notes[edge.note].pitch, edge.note),
    )
    rolled = [r for is_on in (True, False) for r in _rolls(notes, edges, grid, is_on=is_on)]
    in_roll = {(edge.note, edge.is_on) for roll in rolled for edge in roll}
    groups: list[list[_Edge]] = []
    for edge in edges:
        if (edge.note, edge.is_on) in in_roll:
            continue
        if groups and _belongs(edge, groups[-1]):
            groups[-1].append(edge)
        else:
            groups.append([edge])
    clusters = [_Cluster(_mean([e.at for e in group]), tuple(group)) for group in groups]
    clusters += [_Cluster(_place_of_roll(roll, beats), tuple(roll)) for roll in rolled]
    return sorted(clusters, key=lambda cluster: cluster.at)


def _place_of_roll(roll: Sequence[_Edge], beats: Sequence[Fraction]) -> Fraction:
    """Return the end of a roll that is nearer to a beat, the last where both are as near."""

    def stray(at: Fraction) -> Fraction:
        index = bisect_left(beats, at)
        return min(abs(beat - at) for beat in beats[max(index - 1, 0) : index + 1])

    return min(roll[-1].at, roll[0].at, key=stray)


def _mean(values: Sequence[Fraction]) -> Fraction:
    return sum(values, Fraction(0)) / len(values)


def _belongs(edge: _Edge, group: Sequence[_Edge]) -> bool:
    return (
        edge.at_s - group[-1].at_s <= JOIN_S
        and edge.at_s - group[0].at_s <= JOIN_TOTAL_S
        and all(edge.note != other.note for other in group)
    )


def _rolls(
    notes: Sequence[Note], edges: Iterable[_Edge], grid: Fraction, *, is_on: bool
) -> list[list[_Edge]]:
    """Find rolled chords: three tones or more, one after the other in order of pitch, all held."""
    rolls: list[list[_Edge]] = []
    run: list[_Edge] = []
    for edge in (e for e in edges if e.is_on is is_on):
        if run and not _rolls_on(notes, run, edge, grid):
            rolls.append(run)
            run = []
        run.append(edge)
    rolls.append(run)
    return [roll for roll in rolls if len(roll) >= 3]


def _rolls_on(notes: Sequence[Note], run: Sequence[_Edge], edge: _Edge, grid: Fraction) -> bool:
    pitches = [notes[other.note].pitch for other in run] + [notes[edge.note].pitch]
    steps = [b - a for a, b in pairwise(pitches)]
    if edge.is_on:
        held = all(notes[other.note].off_beats > edge.at for other in run)
    else:
        held = all(notes[other.note].on_beats < run[0].at for other in (*run, edge))
    longest_step_s = FINE_ROLL_STEP_S if edge.at - run[-1].at < grid else ROLL_STEP_S
    return (
        0.0 < edge.at_s - run[-1].at_s <= longest_step_s
        and edge.at_s - run[0].at_s <= ROLL_TOTAL_S
        and (all(step > 0 for step in steps) or all(step < 0 for step in steps))
        and held
    )


def _choose(
    beats: Sequence[_Beat], clusters: Sequence[Sequence[_Cluster]], tempo: TempoMap
) -> list[_Division]:
    """Find the cheapest division of every beat that has edges (dynamic programming)."""
    costs: list[float] = []
    origins: list[list[int]] = []
    for index, (beat, edges) in enumerate(zip(beats, clusters, strict=True)):
        alone = _costs(beat, edges, tempo)
        if index == 0:
            costs = alone
            continue
        before = beats[index - 1].divisions
        origin = [
            min(range(len(before)), key=lambda j: (costs[j] + _change(before[j], division), j))
            for division in beat.divisions
        ]
        costs = [
            cost + costs[j] + _change(before[j], division)
            for cost, j, division in zip(alone, origin, beat.divisions, strict=True)
        ]
        origins.append(origin)
    place = costs.index(min(costs))
    path = [place]
    for origin in reversed(origins):
        path.append(origin[path[-1]])
    return [beat.divisions[i] for beat, i in zip(beats, reversed(path), strict=True)]


def _change(before: _Division, after: _Division) -> float:
    plain = 1 in (before.slots, after.slots)
    return 0.0 if plain or before.is_tuplet is after.is_tuplet else _CHANGE_OF_KIND


def _costs(beat: _Beat, clusters: Sequence[_Cluster], tempo: TempoMap) -> list[float]:
    """Weigh what each division of a beat says wrong against how hard it is to read."""
    one_beat_s = float(tempo.seconds_at(beat.start + 1) - tempo.seconds_at(beat.start))
    tolerance = min(TOLERANCE_S / one_beat_s, TOLERANCE_BEATS) / float(beat.length)
    exact = float(EXACT_BEATS / beat.length)
    edges = [
        ((cluster.at - beat.start) / beat.length, cluster.has_on, cluster.has_off)
        for cluster in clusters
    ]
    far = float(beat.unit)
    return [_cost(division, edges, tolerance, exact, far) for division in beat.divisions]


def _cost(
    division: _Division,
    edges: Sequence[tuple[Fraction, bool, bool]],
    tolerance: float,
    exact: float,
    far: float,
) -> float:
    """Cost of one division; places, `tolerance`, `exact` and `far` are shares of the beat."""
    stray = 0.0
    is_exact, is_sure = True, not division.is_tuplet
    ons: list[tuple[int, Fraction]] = []
    offs: list[tuple[int, Fraction]] = []
    for at, has_on, has_off in edges:
        slot = nearest(at * division.slots)
        error = abs(float(at) - slot / division.slots)
        is_exact = is_exact and error <= exact
        looseness = 1.0 if has_off else RELEASE_WEIGHT
        stray += looseness * (
            min(0.5 * (error / tolerance) ** 2, _MAX_STRAY) + _FAR * (error > far)
        )
        is_sure = is_sure or (has_off and 0 < slot < division.slots)
        ons += [(slot, at)] * has_on
        offs += [(slot, at)] * has_off
    merged = _merged(ons, tolerance) + _merged(offs, tolerance)
    reading = division.cost * (_EXACT_SHARE if is_exact else 1.0)
    is_gate = division.slots == _GATES
    doubt = 0.0 if is_sure or (is_exact and not is_gate) else _DOUBTFUL_TUPLET
    return stray + _MERGED * merged + reading + doubt


def _merged(places: Sequence[tuple[int, Fraction]], tolerance: float) -> int:
    """Count successive edges that one slot would hold, but for those that hands spread about it."""
    return sum(
        slot == after and float(then - at) > 2.0 * tolerance
        for (slot, at), (after, then) in pairwise(places)
    )


def _even(notes: Sequence[Note], spans: list[Span], grid: Fraction) -> list[Span]:
    """Let the notes of a chord go together where their releases stray by a unit at most."""
    chords: dict[Fraction, list[int]] = defaultdict(list)
    for i, (_, off) in enumerate(spans):
        chords[off].append(i)
    evened = list(spans)
    for off, chord in chords.items():
        ons = [spans[i][0] for i in chord]
        strayed = any(abs(notes[i].on_beats - spans[i][0]) > EXACT_BEATS for i in chord)
        if not strayed or not 0 < max(ons) - min(ons) <= grid or max(ons) >= off:
            continue
        middle = _mean([notes[i].on_beats for i in chord])
        together = min(sorted(set(ons)), key=lambda on: abs(on - middle))
        for i in chord:
            evened[i] = (together, off)
    return evened


def _close(notes: Sequence[Note], spans: list[Span], grid: Fraction) -> list[Span]:
    """Close the short gaps and overlaps that a sloppy release leaves in a single line.

    The release is the mirrored beginning; it moves to the end of the note before, if the note is
    at least as long as the gap and was played within a unit of it. Where a machine put it, it
    stays.
    """
    starts = sorted(on for on, _ in spans)
    ends = sorted((off, on) for on, off in spans)
    closed = list(spans)
    for i, (on, off) in enumerate(spans):
        if abs(notes[i].on_beats - on) <= EXACT_BEATS:
            continue
        join = _join_of(on, starts, ends, grid)
        if join is None or off - max(on, join) < abs(join - on):
            continue
        if abs(notes[i].on_beats - join) > grid:
            continue
        if notes[i].on_beats - join <= notes[i].length_beats:
            closed[i] = (join, off)
    return closed


def _join_of(
    on: Fraction, starts: Sequence[Fraction], ends: Sequence[Span], grid: Fraction
) -> Fraction | None:
    """Return the end of the note before, if it is within a unit of `on` and nothing else sounds.

    `ends` are (off, on) in order.
    """
    near = ends[bisect_left(ends, (on - grid,)) : bisect_left(ends, (on + grid + EXACT_BEATS,))]
    near_offs = [off for off, start in near if start < on]
    if not near_offs or on in near_offs:
        return None
    join = min(near_offs, key=lambda off: (abs(off - on), off))
    low, high = min(on, join), max(on, join)
    sounding = bisect_left(starts, high) - bisect_left(ends, (low + Fraction(1, 1000),))
    if join < on:
        return join if sounding == 0 else None
    beginning = bisect_right(starts, on) - bisect_left(starts, on)
    before = sum(off == join and start < on for off, start in near)
    return join if sounding == beginning + before else None


def _with_length(
    notes: Sequence[Note],
    spans: Sequence[Span],
    units: dict[int, Fraction],
    grid: Fraction,
    length: Fraction,
) -> Iterator[Span]:
    """Open the spans that fell together, to the side where the note was performed."""
    for i, (note, (on, off)) in enumerate(zip(notes, spans, strict=True)):
        if off > on:
            yield on, off
            continue
        is_before = on > 0 and (note.on_beats + note.off_beats < 2 * on or on >= length)
        stray = on - note.on_beats if is_before else note.off_beats - on
        unit = units[i]
        while unit / 2 >= grid and unit - stray > unit / 2:
            unit /= 2
        yield ((max(on - unit, Fraction(0)), on) if is_before else (on, min(on + unit, length)))

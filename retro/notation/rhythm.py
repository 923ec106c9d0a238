"""Rhythm as a copyist spells it: spans become tied note values that show the beat.

Conventions
-----------
Positions are quarter notes (`Fraction`) from the bar line. A *stress* is the rank of a position in
its bar: 0 the bar line, 1 the middle of a bar of four beats (or a printed group of beats), 2 a
beat, 3 and more the divisions of the beat. The rules are common practice: the middle of the bar
and the beats stay visible, the usual dotted values and syncopations stay whole, rests are stricter
than notes.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property, lru_cache
from itertools import pairwise

from retro.model.time import Bar, Meter, line_beats

BAR_LINE, MIDDLE, BEAT, DIVISION = 0, 1, 2, 3
UNRANKED = 99
"""The stress of a position that no halving of the beat reaches."""

VALUES = {
    Fraction(16): "long",
    Fraction(8): "breve",
    Fraction(4): "whole",
    Fraction(2): "half",
    Fraction(1): "quarter",
    Fraction(1, 2): "eighth",
    Fraction(1, 4): "16th",
    Fraction(1, 8): "32nd",
    Fraction(1, 16): "64th",
    Fraction(1, 32): "128th",
    Fraction(1, 64): "256th",
    Fraction(1, 128): "512th",
    Fraction(1, 256): "1024th",
}
"""Note values by their length in quarter notes."""

Span = tuple[Fraction, Fraction]


@dataclass(frozen=True, slots=True)
class Tuplet:
    """`actual` notes in the time of `normal`, each `unit_beats` long when it stands alone.

    `start` and `end` are the span that the whole figure fills, from the bar line.
    """

    start: Fraction
    end: Fraction
    actual: int
    normal: int
    unit_beats: Fraction

    @property
    def scale(self) -> Fraction:
        """Sounding length over written value."""
        return Fraction(self.normal, self.actual)


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One note head's worth of rhythm (or a rest) in a bar.

    Parameters
    ----------
    start, end
        Span from the bar line.
    value_beats
        Length of the note value without its dot and outside its tuplet.
    dots
        0 or 1.
    chord
        Index of the chord in the voice; None for a rest.
    tied_from, tied_to
        Whether a tie comes in from the piece before, goes out to the next.
    tuplet
        The figure that it belongs to, if any.
    opens_tuplet, closes_tuplet
        Whether it is the first or the last piece of the figure.
    beams
        One of ``start``, ``continue``, ``stop``, ``forward``, ``backward`` per beam line, the
        main beam first; empty without beams.
    is_bar_rest
        Whether it is the rest that stands for a whole bar.
    """

    start: Fraction
    end: Fraction
    value_beats: Fraction
    dots: int = 0
    chord: int | None = None
    tied_from: bool = False
    tied_to: bool = False
    tuplet: Tuplet | None = None
    opens_tuplet: bool = False
    closes_tuplet: bool = False
    beams: tuple[str, ...] = ()
    is_bar_rest: bool = False

    @property
    def length_beats(self) -> Fraction:
        """Sounding length in quarter notes."""
        return self.end - self.start

    @property
    def flags(self) -> int:
        """Beam lines or flags that the value has: one for an eighth."""
        return max(0, self.value_beats.denominator.bit_length() - 1)


def value_of(length_beats: Fraction) -> tuple[Fraction, int] | None:
    """Return (value, dots) of a length that one note head can write, else None.

    A double dot is never used (common practice in parts that are sight-read).
    """
    if length_beats in VALUES:
        return length_beats, 0
    undotted = length_beats * 2 / 3
    return (undotted, 1) if undotted in VALUES else None


@dataclass(frozen=True)
class Grid:
    """The stresses of one meter."""

    meter: Meter
    _stresses: dict[Fraction, int] = field(default_factory=dict, repr=False, compare=False)
    _notes: dict[Span, tuple[Span, ...]] = field(default_factory=dict, repr=False, compare=False)

    @cached_property
    def is_ternary(self) -> bool:
        """Whether the beats divide into three, or differ in length."""
        sizes = set(self.meter.groups)
        return self.meter.denominator >= 8 and (len(sizes) > 1 or 3 in sizes)

    @cached_property
    def beats(self) -> tuple[Fraction, ...]:
        """Where the beats begin, and the end of the bar."""
        unit = self.meter.unit_beats
        if self.meter.denominator < 8:
            return tuple(unit * k for k in range(self.meter.numerator + 1))
        return (*self.meter.pulses(), self.meter.length_beats)

    @cached_property
    def middles(self) -> frozenset[Fraction]:
        """Positions that stay visible like a bar line: the middle of four beats, group starts."""
        groups, beats = self.meter.groups, self.beats
        if self.meter.denominator < 8 and set(groups) != {1}:
            return frozenset(self.meter.pulses()[1:])
        count = len(beats) - 1
        is_even = len(set(groups)) == 1
        if is_even and count in (4, 8):
            return frozenset(beats[2:-1:2])
        return frozenset({beats[3]}) if is_even and count == 6 else frozenset()

    @cached_property
    def _middles_in_order(self) -> tuple[Fraction, ...]:
        return tuple(sorted(self.middles))

    def beat_around(self, at: Fraction) -> Span:
        """Return the beat that holds a position."""
        for start, end in pairwise(self.beats):
            if start <= at < end:
                return start, end
        return self.beats[-1], self.beats[-1] + self.meter.unit_beats

    def stress(self, at: Fraction) -> int:
        """Rank of a position, 0 the strongest."""
        known = self._stresses.get(at)
        if known is None:
            known = self._stresses[at] = self._find_stress(at)
        return known

    def _find_stress(self, at: Fraction) -> int:
        if at in (0, self.meter.length_beats):
            return BAR_LINE
        if at in self.middles:
            return MIDDLE
        start, end = self.beat_around(at)
        if at == start:
            return BEAT
        unit = self.meter.unit_beats if self._has_three(start, end) else (end - start) / 2
        inside = (at - start) / unit
        depth = inside.denominator
        return UNRANKED if depth & (depth - 1) else DIVISION + depth.bit_length() - 1

    def _has_three(self, start: Fraction, end: Fraction) -> bool:
        return end - start == 3 * self.meter.unit_beats

    def strongest_inside(self, start: Fraction, end: Fraction) -> tuple[int, list[Fraction]]:
        """Return the strongest stress strictly inside a span, and where it lies."""
        if start >= 0 and end <= self.meter.length_beats:
            for rank, ranked in ((MIDDLE, self._middles_in_order), (BEAT, self.beats)):
                inside = list(ranked[bisect_right(ranked, start) : bisect_left(ranked, end)])
                if inside:
                    return rank, inside
        units = max(self.meter.denominator // 4, 1)
        step = Fraction(1, math.lcm(start.denominator, end.denominator, units))
        best, places = UNRANKED + 1, []
        at = start + step
        while at < end:
            stress = self.stress(at)
            if stress < best:
                best, places = stress, [at]
            elif stress == best:
                places.append(at)
            at += step
        return best, places

    def is_usual(self, start: Fraction, end: Fraction) -> bool:
        """Whether one note head may fill a span without hiding what must be seen."""
        if value_of(end - start) is None:
            return False
        inside, _ = self.strongest_inside(start, end)
        first, last = self.stress(start), self.stress(end)
        if first <= inside:
            return self._shows_beats(inside, last)
        return self._is_syncopation(start, end, inside) or self._fills_beat(
            start, end, inside, last
        )

    def _shows_beats(self, inside: int, last: int) -> bool:
        if self.is_ternary and inside <= BEAT:
            return last <= BEAT
        is_grouped = self.meter.denominator < 8 and set(self.meter.groups) != {1}
        return last <= MIDDLE if is_grouped and inside == MIDDLE else True

    def _is_syncopation(self, start: Fraction, end: Fraction, inside: int) -> bool:
        """Short, long, short around a division: eighth, quarter, eighth in two beats."""
        middle = (start + end) / 2
        weakest = DIVISION if self.is_ternary else BEAT
        return (
            self.stress(middle) == inside >= weakest
            and self.stress(start) == inside + 1 == self.stress(end)
            and value_of(end - start) in {(end - start, 0)}
        )

    def _fills_beat(self, start: Fraction, end: Fraction, inside: int, last: int) -> bool:
        """Short, dotted in a beat or two; or the second of two dotted halves of a beat of three."""
        beat_start, beat_end = self.beat_around(start)
        if self._has_three(beat_start, beat_end) and inside == DIVISION:
            return end == beat_end and (end - start) * 2 == beat_end - beat_start
        weakest = DIVISION + 1 if self.is_ternary else BEAT
        is_at_end = last < inside and (end / (end - start) * 3 / 4).denominator == 1
        return inside >= weakest and is_at_end and self.stress(start) == inside + 1

    def spell_note(self, start: Fraction, end: Fraction) -> tuple[Span, ...]:
        """Return the fewest usual note values that fill a span, to be tied.

        Every part of a span is spelled once and kept: long bars take polynomial time.
        """
        spelled = self._notes.get((start, end))
        if spelled is None:
            spelled = self._notes[start, end] = self._fewest(start, end)
        return spelled

    def _fewest(self, start: Fraction, end: Fraction) -> tuple[Span, ...]:
        if self.is_usual(start, end):
            return ((start, end),)
        inside, places = self.strongest_inside(start, end)
        cuts = reversed(places) if self.stress(start) <= inside else places
        fewest: tuple[Span, ...] = ()
        for cut in cuts:
            pieces = (*self.spell_note(start, cut), *self.spell_note(cut, end))
            if not fewest or len(pieces) < len(fewest):
                fewest = pieces
            if len(fewest) == 2:
                return fewest
        for cut in self.beats[bisect_right(self.beats, start) : bisect_left(self.beats, end)]:
            if self.is_usual(start, cut) and self.is_usual(cut, end):
                return (start, cut), (cut, end)
        return fewest

    def spell_rest(self, start: Fraction, end: Fraction) -> tuple[Span, ...]:
        """Split a silent span into rests, none of which hides a beat."""
        inside, places = self.strongest_inside(start, end)
        if self._is_plain_rest(start, end, inside):
            return ((start, end),)
        cuts = (start, *places, end)
        return tuple(piece for a, b in pairwise(cuts) for piece in self.spell_rest(a, b))

    def _is_plain_rest(self, start: Fraction, end: Fraction, inside: int) -> bool:
        value = value_of(end - start)
        if value is None:
            return False
        first, last = self.stress(start), self.stress(end)
        beat_start, beat_end = self.beat_around(start)
        if inside == BEAT:
            return first <= MIDDLE and last <= MIDDLE and bool(self.middles)
        if inside < BEAT:
            return False
        if (start, end) == (beat_start, beat_end):
            return True
        if self._has_three(beat_start, beat_end) and inside == DIVISION:
            return start == beat_start and end - start == 2 * self.meter.unit_beats
        return value[1] == 0 and first < inside and last < inside


def spell_voice(spans: Sequence[Span], bars: Sequence[Bar]) -> tuple[tuple[Piece, ...], ...]:
    """Spell the chords of one voice, and its silence, bar by bar.

    Parameters
    ----------
    spans
        Written spans of the chords from the start of the first bar, in order, not overlapping.
    bars
        Without gaps, from 0.

    Returns
    -------
    tuple of tuple of Piece
        One tuple per bar, which the pieces fill exactly; positions count from the bar's start.

    Raises
    ------
    ValueError
        When spans overlap, are empty or leave the bars.
    """
    edges = [edge for span in spans for edge in span]
    is_rising = all(start < end for start, end in spans) and edges == sorted(edges)
    if not is_rising or (edges and not 0 <= edges[0] <= edges[-1] <= bars[-1].end_beats):
        raise ValueError("chords follow each other inside the bars")
    spelled, first = [], 0
    for number, bar in enumerate(bars):
        while first < len(spans) and spans[first][1] <= bar.start_beats:
            first += 1
        inside = []
        for index in range(first, len(spans)):
            if spans[index][0] >= bar.end_beats:
                break
            inside.append((index, spans[index]))
        spelled.append(_spell_bar(bar, line_beats(bars, number), inside))
    return tuple(spelled)


def _spell_bar(bar: Bar, origin: Fraction, inside: list[tuple[int, Span]]) -> tuple[Piece, ...]:
    """Spell one bar; `origin` is where its bar line would be if the bar were full."""
    length = bar.length_beats
    if not inside and bar.is_full:
        return (Piece(start=Fraction(0), end=length, value_beats=Fraction(4), is_bar_rest=True),)
    shift = bar.start_beats - origin
    segments = list(_segments(inside, bar.start_beats, bar.end_beats, origin))
    edges = tuple(sorted({edge for start, end, _ in segments for edge in (start, end)}))
    tuplets = find_tuplets(bar.meter, edges)
    pieces: list[Piece] = []
    for start, end, chord in segments:
        pieces.extend(_spell_segment(bar.meter, tuplets, (start, end), chord))
    pieces = _with_ties(pieces, dict(inside), origin)
    pieces = _with_beams(_with_tuplet_edges(pieces), bar.meter)
    return tuple(
        replace(piece, start=piece.start - shift, end=piece.end - shift) for piece in pieces
    )


def _segments(
    inside: list[tuple[int, Span]], bar_start: Fraction, bar_end: Fraction, origin: Fraction
) -> Iterator[tuple[Fraction, Fraction, int | None]]:
    """Yield sounding and silent spans that fill the bar, from `origin`."""
    at = bar_start
    for index, (start, end) in inside:
        if start > at:
            yield at - origin, start - origin, None
            at = start
        yield at - origin, min(end, bar_end) - origin, index
        at = min(end, bar_end)
    if at < bar_end:
        yield at - origin, bar_end - origin, None


@lru_cache(maxsize=4096)
def _grid(meter: Meter) -> Grid:
    return Grid(meter)


@lru_cache(maxsize=4096)
def _plain(meter: Meter, start: Fraction, end: Fraction, is_rest: bool) -> tuple[Span, ...]:
    grid = _grid(meter)
    return grid.spell_rest(start, end) if is_rest else grid.spell_note(start, end)


@lru_cache(maxsize=4096)
def find_tuplets(meter: Meter, edges: tuple[Fraction, ...]) -> tuple[Tuplet, ...]:
    """Find the tuplets of a bar from the edges of its notes and rests, in order.

    Quarter-note triplets over two beats (half-note triplets over four) are seen where both inner
    edges are there, quintuplets over as many where no edge is on another place and two are not on
    a beat's own; everything else is counted inside its beat, and inside half a beat where the
    half is an edge too.
    """
    grid = _grid(meter)
    found: list[Tuplet] = []
    if not grid.is_ternary:
        for count in (4, 2):
            for first in range(len(grid.beats) - count):
                start, end = grid.beats[first], grid.beats[first + count]
                actual = 3 if _thirds(start, end, edges) else 5
                is_figure = actual == 3 or _fifths(start, end, edges)
                if is_figure and all(t.end <= start or t.start >= end for t in found):
                    found.append(_tuplet(start, end, actual))
    last = max(grid.beats[-1], edges[-1])
    at = Fraction(0)
    while at < last:
        start, end = grid.beat_around(at)
        if all(t.end <= start or t.start >= end for t in found):
            found.extend(_tuplets_inside(grid, start, end, edges))
        at = end
    return tuple(sorted(found, key=lambda t: t.start))


def _thirds(start: Fraction, end: Fraction, edges: tuple[Fraction, ...]) -> bool:
    third = (end - start) / 3
    inside = {edge for edge in edges if start < edge < end}
    return inside == {start + third, end - third}


def _fifths(start: Fraction, end: Fraction, edges: tuple[Fraction, ...]) -> bool:
    inside = [edge for edge in edges if start < edge < end]
    return len(inside) > 1 and all(
        ((edge - start) / (end - start)) % Fraction(1, 5) == 0 for edge in inside
    )


def _is_dyadic(value: Fraction) -> bool:
    return value.denominator & (value.denominator - 1) == 0


def _tuplets_inside(
    grid: Grid, start: Fraction, end: Fraction, edges: tuple[Fraction, ...]
) -> list[Tuplet]:
    inside = [edge for edge in edges if start < edge < end]
    if all(_is_dyadic(edge) for edge in inside):
        return []
    length = end - start
    count = math.lcm(*(((edge - start) / length).denominator for edge in inside))
    is_three = value_of(length) != (length, 0)
    parts = 3 if is_three else 2
    cuts = [start + length * k / parts for k in range(parts + 1)]
    if (is_three and count % 3 == 0) or (not is_three and count % 2 == 0 and cuts[1] in inside):
        return [t for a, b in pairwise(cuts) for t in _tuplets_inside(grid, a, b, edges)]
    return [_tuplet(start, end, count)]


def _tuplet(start: Fraction, end: Fraction, actual: int) -> Tuplet:
    normal = 1 if value_of(end - start) == (end - start, 0) else 3
    while normal * 2 < actual:
        normal *= 2
    return Tuplet(start, end, actual, normal, (end - start) / normal)


def _spell_segment(
    meter: Meter, tuplets: tuple[Tuplet, ...], span: Span, chord: int | None
) -> Iterator[Piece]:
    """Cut a span at the edges of tuplets and spell what lies outside and inside each."""
    at, end = span
    for tuplet in tuplets:
        if tuplet.end <= at or tuplet.start >= end:
            continue
        if at < tuplet.start:
            yield from _plain_pieces(meter, at, tuplet.start, chord)
            at = tuplet.start
        stop = min(end, tuplet.end)
        yield from _tuplet_pieces(tuplet, at, stop, chord)
        at = stop
    if at < end:
        yield from _plain_pieces(meter, at, end, chord)


def _plain_pieces(
    meter: Meter, start: Fraction, end: Fraction, chord: int | None
) -> Iterator[Piece]:
    for a, b in _plain(meter, start, end, chord is None):
        value = value_of(b - a)
        if value is None:
            raise ValueError(f"no note value is {b - a} quarter notes long")
        yield Piece(start=a, end=b, value_beats=value[0], dots=value[1], chord=chord)


def _tuplet_pieces(
    tuplet: Tuplet, start: Fraction, end: Fraction, chord: int | None
) -> Iterator[Piece]:
    unit = tuplet.unit_beats * tuplet.scale
    at, last = int((start - tuplet.start) / unit), int((end - tuplet.start) / unit)
    while at < last:
        count = _units_from(at, last, is_rest=chord is None)
        value = value_of(count * tuplet.unit_beats) or (tuplet.unit_beats, 0)
        a = tuplet.start + at * unit
        yield Piece(
            start=a,
            end=a + count * unit,
            value_beats=value[0],
            dots=value[1],
            chord=chord,
            tuplet=tuplet,
        )
        at += count


def _units_from(at: int, last: int, *, is_rest: bool) -> int:
    """Return how many units of a tuplet the next note value takes."""
    rest = last - at
    if not is_rest and value_of(Fraction(rest)) is not None:
        return rest
    largest = 1 << (rest.bit_length() - 1)
    aligned = (at & -at) or largest
    return min(largest, aligned)


def _with_ties(pieces: list[Piece], chords: dict[int, Span], origin: Fraction) -> list[Piece]:
    return [
        piece
        if piece.chord is None
        else replace(
            piece,
            tied_from=chords[piece.chord][0] < piece.start + origin,
            tied_to=chords[piece.chord][1] > piece.end + origin,
        )
        for piece in pieces
    ]


def _with_tuplet_edges(pieces: list[Piece]) -> list[Piece]:
    before = [None, *(piece.tuplet for piece in pieces[:-1])]
    after = [*(piece.tuplet for piece in pieces[1:]), None]
    return [
        piece
        if piece.tuplet is None
        else replace(
            piece, opens_tuplet=piece.tuplet != previous, closes_tuplet=piece.tuplet != following
        )
        for piece, previous, following in zip(pieces, before, after, strict=True)
    ]


def _with_beams(pieces: list[Piece], meter: Meter) -> list[Piece]:
    beamed = list(pieces)
    cells = _beam_cells(pieces, _grid(meter))
    first = 0
    for index in range(1, len(pieces) + 1):
        if index < len(pieces) and cells[index] is not None and cells[index] == cells[first]:
            continue
        if index - first > 1 and cells[first] is not None:
            group = pieces[first:index]
            beamed[first:index] = [
                replace(piece, beams=_beams(group, k)) for k, piece in enumerate(group)
            ]
        first = index
    return beamed


def _beam_cells(pieces: list[Piece], grid: Grid) -> list[Span | None]:
    """Return the span under whose beam each piece stands, or None where it has no beam."""
    cells: list[Span | None] = []
    for piece in pieces:
        if piece.chord is None or piece.flags == 0:
            cells.append(None)
        elif piece.tuplet is not None and piece.tuplet.end - piece.tuplet.start >= 1:
            cells.append((piece.tuplet.start, piece.tuplet.end))
        else:
            cells.append(_beam_cell(piece, grid))
    if grid.is_ternary or len(grid.beats) % 2 == 0:
        return cells
    return _joined_pairs(pieces, cells)


def _beam_cell(piece: Piece, grid: Grid) -> Span:
    start, end = grid.beat_around(piece.start)
    if grid.is_ternary or end - start <= 1:
        return start, end
    quarter = Fraction(math.floor(piece.start))
    return quarter, quarter + 1


def _joined_pairs(pieces: list[Piece], cells: list[Span | None]) -> list[Span | None]:
    """Join two beats under one beam where both are plain eighths (common practice)."""
    joined = list(cells)
    for index in range(len(pieces) - 3):
        four = pieces[index : index + 4]
        is_plain = all(p.chord is not None and p.value_beats == Fraction(1, 2) for p in four)
        is_plain = is_plain and not any(p.dots or p.tuplet for p in four)
        if is_plain and four[0].start % 2 == 0:
            joined[index : index + 4] = [(four[0].start, four[0].start + 2)] * 4
    return joined


def _beams(group: list[Piece], index: int) -> tuple[str, ...]:
    lines = [_beam(group, index, 1)]
    lines.extend(_beam(group, index, line) for line in range(2, group[index].flags + 1))
    return tuple(lines)


def _beam(group: list[Piece], index: int, line: int) -> str:
    has_before = index > 0 and group[index - 1].flags >= line
    has_after = index + 1 < len(group) and group[index + 1].flags >= line
    if has_before and has_after:
        return "continue"
    if has_before:
        return "stop"
    if has_after:
        return "start"
    piece = group[index]
    is_first = index == 0 or (
        index + 1 < len(group) and (piece.start / (piece.value_beats * 2)).denominator == 1
    )
    return "forward" if is_first else "backward"

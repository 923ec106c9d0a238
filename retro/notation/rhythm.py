"""Rhythm as a copyist spells it: spans become tied note values that show the beat.

Conventions
-----------
Positions are quarter notes (`Fraction`) from the bar line. What shows the beat says
`retro.notation.grid`.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache

from retro.model.note_values import value_of
from retro.model.time import Bar, Meter, Span, line_beats
from retro.notation.beams import Piece, with_beams
from retro.notation.grid import grid_of
from retro.notation.tuplets import Tuplet, find_tuplets


def spell_voice(spans: Sequence[Span], bars: Sequence[Bar]) -> tuple[tuple[Piece, ...], ...]:
    """Return the chords of one voice, and its silence, bar by bar, as pieces that fill each bar.

    `spans` are the written spans of the chords, in order, `bars` go on without gaps from 0.
    Positions of the pieces count from their bar's start.

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
    pieces = with_beams(_with_tuplet_edges(pieces), bar.meter)
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
def _plain(meter: Meter, start: Fraction, end: Fraction, is_rest: bool) -> tuple[Span, ...]:
    grid = grid_of(meter)
    return grid.spell_rest(start, end) if is_rest else grid.spell_note(start, end)


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

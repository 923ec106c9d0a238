"""One note head's worth of rhythm, and the beams that join such pieces (common practice)."""

import math
from dataclasses import dataclass, replace
from fractions import Fraction

from retro.model.time import Meter, Span
from retro.notation.grid import Grid, grid_of
from retro.notation.tuplets import Tuplet


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


def with_beams(pieces: list[Piece], meter: Meter) -> list[Piece]:
    """Return the pieces of a bar with their beams."""
    beamed = list(pieces)
    cells = _beam_cells(pieces, grid_of(meter))
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

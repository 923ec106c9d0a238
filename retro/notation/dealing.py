"""Dealing out notes: to players, to voices, to hands.

Conventions
-----------
Seats count from 0, the highest first. A note is an index into `Performance.notes`.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby, permutations
from math import perm

import numpy as np

from retro.model.performance import Performance
from retro.model.sound import FloatArray
from retro.notation.score import Mark

MOST_TRIED = 1000
"""Ways of dealing that are simply tried; more than that are searched."""

_Span = tuple[Fraction, Fraction, Mark | None]
_CROSSING_COST = 12.0
_RECENT_BEATS = Fraction(4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Notes that begin and end together: `pitches` ascending, `notes` one per pitch.

    Where a sign stands for many notes, `mark` is the sign and `more` are the others of them, one
    tuple per pitch.
    """

    on_beats: Fraction
    off_beats: Fraction
    pitches: tuple[int, ...]
    notes: tuple[int, ...]
    more: tuple[tuple[int, ...], ...] = ()
    mark: Mark | None = None

    @property
    def all_notes(self) -> tuple[int, ...]:
        """Every note of the block."""
        return (*self.notes, *(i for others in self.more for i in others))


def single_blocks(
    performance: Performance, notes: Iterable[int], signed: Mapping[int, Block] | None = None
) -> list[Block]:
    """Give one block per note, in order; `signed` are those of notes that have a sign."""
    known = signed or {}
    return _in_order(
        known.get(i)
        or Block(
            on_beats=performance.notes[i].written_on_beats,
            off_beats=performance.notes[i].written_off_beats,
            pitches=(performance.notes[i].target.pitch,),
            notes=(i,),
        )
        for i in notes
    )


def chord_blocks(
    performance: Performance, notes: Iterable[int], signed: Mapping[int, Block] | None = None
) -> list[Block]:
    """Join notes of one span and sign into chords.

    A pitch that is there twice makes a second block; `signed` as in `single_blocks`.
    """
    chords: dict[tuple[_Span, int], list[Block]] = defaultdict(list)
    copies: dict[tuple[_Span, int], int] = defaultdict(int)
    for block in single_blocks(performance, notes, signed):
        span = (block.on_beats, block.off_beats, block.mark)
        copy = copies[span, block.pitches[0]]
        copies[span, block.pitches[0]] += 1
        chords[span, copy].append(block)
    return _in_order(_join(chord) for chord in chords.values())


def _join(blocks: list[Block]) -> Block:
    blocks = sorted(blocks, key=lambda block: block.pitches)
    return Block(
        on_beats=blocks[0].on_beats,
        off_beats=blocks[0].off_beats,
        pitches=tuple(block.pitches[0] for block in blocks),
        notes=tuple(block.notes[0] for block in blocks),
        more=tuple(others for block in blocks for others in block.more),
        mark=blocks[0].mark,
    )


def _in_order(blocks: Iterable[Block]) -> list[Block]:
    return sorted(blocks, key=lambda b: (b.on_beats, -b.pitches[-1], b.off_beats, b.notes))


def seats_needed(blocks: Iterable[Block]) -> int:
    """Count the blocks that sound at once at most."""
    edges = sorted(
        edge for block in blocks for edge in ((block.on_beats, 1), (block.off_beats, -1))
    )
    most = sounding = 0
    for _, change in edges:
        sounding += change
        most = max(most, sounding)
    return most


def deal(blocks: Sequence[Block], seats: int, *, rank_weight: float) -> list[list[Block]]:
    """Deal blocks out to seats, from the top down, so that no seat has two at once.

    Parameters
    ----------
    blocks
        In order of their beginnings; `seats` is at least `seats_needed` of them.
    rank_weight
        What it costs, in semitones of leap, to sit one seat off the block's rank in the chord:
        small to keep players on their lines, large to keep voices in their order.

    Returns
    -------
    list of list of Block
        One per seat.
    """
    hands: list[list[Block]] = [[] for _ in range(seats)]
    for on, group in groupby(blocks, key=lambda block: block.on_beats):
        new = list(group)
        held = [
            _Sitting(hand[-1].pitches[-1], seat)
            for seat, hand in enumerate(hands)
            if hand and hand[-1].off_beats > on
        ]
        sounding = sorted([b.pitches[-1] for b in new] + [sitting.pitch for sitting in held])
        free = [seat for seat in range(seats) if seat not in {sitting.seat for sitting in held}]
        costs = np.array(
            [
                [
                    rank_weight * abs(len(sounding) - bisect_right(sounding, b.pitches[-1]) - seat)
                    + _CROSSING_COST * _crossings(b, seat, held)
                    + _leap(b, hands[seat])
                    for seat in free
                ]
                for b in new
            ]
        )
        for row, column in enumerate(_assign(costs)):
            hands[free[column]].append(new[row])
    return hands


def _assign(costs: FloatArray) -> tuple[int, ...]:
    """Give the cheapest column for each row, no column twice; shape (rows, columns)."""
    rows, columns = costs.shape
    if perm(columns, rows) > MOST_TRIED:
        # Its import takes longer than most inserts take to write.
        from scipy.optimize import linear_sum_assignment  # noqa: PLC0415

        return tuple(int(column) for column in linear_sum_assignment(costs)[1])
    table = costs.tolist()
    return min(
        permutations(range(columns), rows),
        key=lambda chosen: sum(table[row][column] for row, column in enumerate(chosen)),
    )


@dataclass(frozen=True, slots=True)
class _Sitting:
    """Who holds a note while others begin."""

    pitch: int
    seat: int


def _crossings(block: Block, seat: int, held: Sequence[_Sitting]) -> int:
    """Count the held notes that would cross the block."""
    pitch = block.pitches[-1]
    return sum((other.pitch - pitch) * (other.seat - seat) > 0 for other in held)


def _leap(block: Block, line: Sequence[Block]) -> int:
    """Semitones from what the seat played a moment ago, else 0."""
    if not line or block.on_beats - line[-1].off_beats > _RECENT_BEATS:
        return 0
    return abs(block.pitches[-1] - line[-1].pitches[-1])

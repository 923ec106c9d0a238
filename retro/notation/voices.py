"""Assigning voices: notes to players, to divisi, to the voices of a stave.

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
from retro.notation.score import Chord, Mark, Spelled

MAX_TRIED = 1000
"""Ways of assigning that are simply tried; more than that are searched."""

PLAYER_RANK_WEIGHT = 1.5
VOICE_RANK_WEIGHT = 100.0
"""Players keep their lines; voices on one stave keep their order. See `assign_voices`."""

_Span = tuple[Fraction, Fraction, Mark | None]
_CROSSING_COST = 12.0
_RECENT_BEATS = Fraction(4)


def single_chords(
    performance: Performance,
    notes: Iterable[int],
    signed: Mapping[int, Chord] | None = None,
    names: Sequence[Spelled] = (),
) -> list[Chord]:
    """Return one chord per note, in order: its own where it is `signed`.

    `names` has the written pitch of every note of the performance, if it is known.
    """
    known = signed or {}
    return _in_order(
        known.get(i)
        or Chord(
            on_beats=performance.notes[i].written_on_beats,
            off_beats=performance.notes[i].written_off_beats,
            pitches=(performance.notes[i].target.pitch,),
            notes=(i,),
            spelled=(names[i],) if names else (),
        )
        for i in notes
    )


def join_chords(
    performance: Performance,
    notes: Iterable[int],
    signed: Mapping[int, Chord],
    names: Sequence[Spelled],
) -> list[Chord]:
    """Join notes of one span and sign into chords.

    A pitch that is there twice makes a second chord; `signed` and `names` as in `single_chords`.
    """
    chords: dict[tuple[_Span, int], list[Chord]] = defaultdict(list)
    copies: dict[tuple[_Span, int], int] = defaultdict(int)
    for single in single_chords(performance, notes, signed, names):
        span = (single.on_beats, single.off_beats, single.mark)
        copy = copies[span, single.pitches[0]]
        copies[span, single.pitches[0]] += 1
        chords[span, copy].append(single)
    return _in_order(_join(chord) for chord in chords.values())


def _join(chords: list[Chord]) -> Chord:
    chords = sorted(chords, key=lambda chord: chord.pitches)
    return Chord(
        on_beats=chords[0].on_beats,
        off_beats=chords[0].off_beats,
        pitches=tuple(chord.pitches[0] for chord in chords),
        notes=tuple(chord.notes[0] for chord in chords),
        spelled=tuple(name for chord in chords for name in chord.spelled),
        more=_more(chords),
        mark=chords[0].mark,
        graces=tuple(grace for chord in chords for grace in chord.graces),
    )


def _more(chords: Sequence[Chord]) -> tuple[tuple[int, ...], ...]:
    """Return what else each head stands for; empty where none stands for more than itself."""
    if not any(chord.more for chord in chords):
        return ()
    return tuple(others for chord in chords for others in chord.more or ((),))


def _in_order(chords: Iterable[Chord]) -> list[Chord]:
    return sorted(chords, key=lambda b: (b.on_beats, -b.pitches[-1], b.off_beats, b.notes))


def seats_needed(chords: Iterable[Chord]) -> int:
    """Count the chords that sound at once at most."""
    edges = sorted(
        edge for chord in chords for edge in ((chord.on_beats, 1), (chord.off_beats, -1))
    )
    most = sounding = 0
    for _, change in edges:
        sounding += change
        most = max(most, sounding)
    return most


def assign_voices(chords: Sequence[Chord], seats: int, *, rank_weight: float) -> list[list[Chord]]:
    """Return chords, in order, assigned to seats from the top down; no seat has two at once.

    `seats` is at least `seats_needed`. `rank_weight` is what it costs, in semitones of leap, to sit
    one seat off the chord's rank in the chord: small to keep players on their lines, large to keep
    voices in their order.
    """
    lines: list[list[Chord]] = [[] for _ in range(seats)]
    for on, group in groupby(chords, key=lambda chord: chord.on_beats):
        new = list(group)
        held = [
            _Sitting(line[-1].pitches[-1], seat)
            for seat, line in enumerate(lines)
            if line and line[-1].off_beats > on
        ]
        sounding = sorted([b.pitches[-1] for b in new] + [sitting.pitch for sitting in held])
        free = [seat for seat in range(seats) if seat not in {sitting.seat for sitting in held}]
        costs = np.array(
            [
                [
                    rank_weight * abs(len(sounding) - bisect_right(sounding, b.pitches[-1]) - seat)
                    + _CROSSING_COST * _crossings(b, seat, held)
                    + _leap(b, lines[seat])
                    for seat in free
                ]
                for b in new
            ]
        )
        for row, column in enumerate(_assign(costs)):
            lines[free[column]].append(new[row])
    return lines


def _assign(costs: FloatArray) -> tuple[int, ...]:
    """Return the cheapest column for each row, no column twice; shape (rows, columns)."""
    rows, columns = costs.shape
    if perm(columns, rows) > MAX_TRIED:
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


def _crossings(chord: Chord, seat: int, held: Sequence[_Sitting]) -> int:
    """Count the held notes that would cross the chord."""
    pitch = chord.pitches[-1]
    return sum((other.pitch - pitch) * (other.seat - seat) > 0 for other in held)


def _leap(chord: Chord, line: Sequence[Chord]) -> int:
    """Semitones from what the seat played a moment ago, else 0."""
    if not line or chord.on_beats - line[-1].off_beats > _RECENT_BEATS:
        return 0
    return abs(chord.pitches[-1] - line[-1].pitches[-1])

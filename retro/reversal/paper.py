"""What stands on paper for every note, and how people play it.

Conventions
-----------
Written spans are insert time in quarter notes, in the order of the target's notes; what is played
of them is seconds of insert time.
"""

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from retro.model.instruments import Player, Sound
from retro.model.phrase import Phrase
from retro.model.settings import Habit, Settings
from retro.model.sound import FloatArray, rise_s
from retro.model.time import Bar, Span, TempoMap, pulses
from retro.model.tones import IntArray
from retro.reversal.exact import MAX_TRIALS, Moving, SecantSteps, begun, crossings
from retro.reversal.landing import stabs_on_starts, struck_on_starts
from retro.reversal.mirror import mirror_note
from retro.reversal.quantize import quantize
from retro.reversal.rolls import find_rolls, may_roll
from retro.reversal.target_tones import StartsAndStops, TargetTones
from retro.units import nearest


def written_spans(
    insert: Phrase, meant: Phrase, *, grid_beats: Fraction, straighten_swing: bool
) -> list[list[Span]]:
    """Return the quantized spans of what is meant, on the insert's time, in the target's order."""
    orders, parts = [], []
    for part in meant.parts:
        mirrored = [mirror_note(note, insert.length_beats) for note in part.notes]
        order = sorted(range(len(mirrored)), key=mirrored.__getitem__)
        orders.append(order)
        parts.append(replace(part, notes=tuple(mirrored[i] for i in order)))
    quantized = quantize(
        replace(insert, parts=tuple(parts)),
        grid_beats=grid_beats,
        straighten_swing=straighten_swing,
    )
    ordered = []
    for order, spans in zip(orders, quantized, strict=True):
        by_target = dict(zip(order, spans, strict=True))
        ordered.append([by_target[i] for i in range(len(order))])
    return ordered


def paper_spans(
    players: tuple[Player, ...],
    written: list[list[Span]],
    at_start: Sequence[Sequence[bool]],
    *,
    pitches: IntArray,
    falls_s: FloatArray,
    insert: Phrase,
    settings: Settings,
) -> Iterator[Span]:
    """Return what is written for each note: whole grid units only.

    Notes of a part that end together are let go together, by the slowest fall among them; struck
    tones as `retro.reversal.hands` says; what lands on starts as `retro.reversal.landing` says.
    """
    room_s = iter(falls_s.tolist())
    pitch = iter(pitches.tolist())
    for player, mirrored, moves in zip(players, written, at_start, strict=True):
        falls = [next(room_s) for _ in mirrored]
        tones = [next(pitch) for _ in mirrored]
        if player.instrument.sound is Sound.STRUCK:
            yield from struck_on_starts(player, mirrored, tones, moves, insert.bars)
            continue
        spans = stabs_on_starts(mirrored, moves, insert.length_beats)
        starts = {on for on, _ in spans}
        slowest_s: dict[Fraction, float] = {}
        for (_, off), fall in zip(spans, falls, strict=True):
            slowest_s[off] = max(fall, slowest_s.get(off, 0.0))
        for on, off in spans:
            if off in starts or not settings.compensate.moves_stops:
                yield on, off
            else:
                yield on, _early_off((on, off), slowest_s[off], insert.tempo, settings)


def _early_off(span: Span, room_s: float, tempo: TempoMap, settings: Settings) -> Fraction:
    """Shorten a note that ends before a rest by the whole units that its room takes to fall."""
    on, off = span
    unit = settings.grid_beats
    beat = -(-off // 1) - 1
    for edge in (off, on):
        if edge % unit and edge > beat:  # in a tuplet, whose units the rest takes over
            unit = Fraction(1, edge.denominator)
    unit_s = tempo.seconds_at(off) - tempo.seconds_at(off - unit)
    shortest = max(unit, tempo.beats_at(tempo.seconds_at(on) + Fraction(settings.shortest_s)) - on)
    most_units = (off - on - shortest) // unit
    return off - max(min(nearest(Fraction(room_s) / unit_s), most_units), 0) * unit


def as_read(spans: Sequence[Span], bars: Sequence[Bar], settings: Settings) -> list[Span]:
    """Return written spans as their players take them: pairs that are to be swung turned round.

    The page asks for the first eighth of each pair short and the second long: the middle of every
    beat comes at its third.
    """
    if not settings.straighten_swing:
        return list(spans)
    starts = [*(at for at, _ in pulses(bars)), bars[-1].end_beats]

    def taken(at: Fraction) -> Fraction:
        place = bisect_right(starts, at)
        if not 0 < place < len(starts):
            return at
        start, length = starts[place - 1], starts[place] - starts[place - 1]
        return start + length / 3 if at - start == length / 2 else at

    return [(taken(on), taken(off)) for on, off in spans]


def rolled_offsets_s(
    insert: Phrase,
    players: tuple[Player, ...],
    pitches: IntArray,
    spans: Sequence[Span],
    start_s: FloatArray,
) -> FloatArray:
    """Return how far from its beat a person strikes each note, where the page has a roll.

    Where a composer has written the signs, none is added.
    """
    offsets_s = np.zeros(start_s.shape)
    first = 0
    for part, player in zip(insert.parts, players, strict=True):
        notes = range(first, first + len(part.notes))
        first = notes.stop
        if part.signs is not None or not may_roll(player.instrument):
            continue
        rolls = find_rolls(
            [spans[note][0] for note in notes],
            [int(pitches[note]) for note in notes],
            [float(start_s[note]) for note in notes],
            insert.tempo.seconds_at,
        )
        for note, offset_s in (pair for roll in rolls for pair in roll.offsets_s()):
            offsets_s[notes[note]] = offset_s
    return offsets_s


def paper_starts_and_stops(
    notes: TargetTones,
    spans: list[Span],
    rolled_s: FloatArray,
    tempo: TempoMap,
    settings: Settings,
) -> StartsAndStops:
    """Play what is written, with the players' habit: they put what is perceived on the click."""
    on_s = np.array([float(tempo.seconds_at(on)) for on, _ in spans]) + rolled_s
    off_s = np.array([float(tempo.seconds_at(off)) for _, off in spans])
    start_s = on_s
    if settings.habit is Habit.SPEAK:
        start_s = on_s - rise_s(settings.onset_db, notes.people.attack_s)
        steps = SecantSteps(start_s.shape)
        moving = Moving(start_s.shape)
        for _ in range(MAX_TRIALS):
            some = moving.those(start_s, off_s)
            if not some.size:
                break
            found = crossings(notes, start_s, off_s, notes.people, settings, some=some)
            late_s = np.nan_to_num(np.where(notes.has_landing, found.first_s - on_s, 0.0))
            start_s = begun(start_s - steps.after(late_s), on_s, notes.people)
    return StartsAndStops(start_s=start_s, stop_s=off_s, is_short=np.zeros(on_s.shape, dtype=bool))

"""Where winds breathe and how bows change: the same for the page and for who judges it.

A line without a rest that is longer than a breath has commas at the best places: at a bar line
rather than at a beat, after a long note rather than after a short one, and not where another line
of the part has one. Where two or more read one line they breathe in turns, inside tones and off the
bar line, where nobody hears it (common practice); the page proposes where.

Conventions
-----------
Places are quarter notes on insert time; a line is a sequence of chords in order.
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial

import numpy as np

from retro.model.instruments import Family, Player, Sound
from retro.model.loudness import PartLoudness
from retro.model.performance import Performance
from retro.model.time import Bar, bar_index
from retro.notation.score import Articulation, Chord, Direction, Mark

BREATH_GAP_S = 0.25
"""Least rest in which a player can take a quick breath (common practice)."""

BREATH_AT = ((40.0, 1.3), (80.0, 1.0), (112.0, 0.6))
"""(velocity, share of the breath at a middle dynamic): the louder, the shorter (common
practice)."""

BREATH_SLACK = 1.1
"""Share of a breath that nobody minds."""

BOW_S = 4.0
"""A tone that one bow holds at a middle dynamic (common practice)."""

STAGGERED = "stagger breathing"
BOWED = "change bow freely, unheard"

_AT_BAR_LINE, _AT_BEAT, _ELSEWHERE = 1.0, 1.6, 3.0
_AFTER_LONG, _LONG_BEATS = 0.5, Fraction(4)
_TAKEN = 2.0
_OVER = 20.0
"""What a comma costs by its place, and what a stretch costs that is a breath too long (ours)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """What one player, or several on one line, have to play without a rest.

    It is `length_s` long, and none of its chords comes a breath's gap after the one before; a
    breath lasts `limit_s` at its mean dynamic. `commas` are the ends of notes after which one
    breathes; empty where a breath is enough, or several share. Where several read the line, `turns`
    has (number of the player, place).
    """

    chords: tuple[Chord, ...]
    length_s: float
    limit_s: float
    commas: tuple[Fraction, ...] = ()
    turns: tuple[tuple[int, Fraction], ...] = ()

    @property
    def start_beats(self) -> Fraction:
        """Where it begins."""
        return self.chords[0].on_beats

    @property
    def is_long(self) -> bool:
        """Whether a breath is not enough."""
        return self.length_s > BREATH_SLACK * self.limit_s


def plan_breaths(
    performance: Performance, part: int, lines: Sequence[Sequence[Chord]]
) -> tuple[tuple[Stretch, ...], ...]:
    """Return the stretches of each line of a part; none where nobody has to breathe."""
    player = performance.players[part]
    if player.instrument.breath_s is None or player.instrument.section:
        return tuple(() for _ in lines)
    planned: list[tuple[Stretch, ...]] = []
    taken: set[Fraction] = set()
    for line in lines:
        stretches = [
            _planned(performance, player, stretch, taken, is_shared=len(lines) == 1)
            for stretch in _stretches(performance, part, line)
        ]
        taken.update(at for stretch in stretches for at in stretch.commas)
        planned.append(tuple(stretches))
    return tuple(planned)


def breath_marks(stretches: Iterable[Stretch]) -> tuple[tuple[Mark, ...], tuple[Direction, ...]]:
    """Return the commas of a line, and the words for those who breathe in turns."""
    marks: list[Mark] = []
    words: list[Direction] = []
    for stretch in stretches:
        marks += [
            Mark(at_beats=chord.on_beats, kind=Articulation.BREATH)
            for chord in stretch.chords
            if chord.off_beats in stretch.commas
        ]
        if stretch.turns:
            words.append(Direction(at_beats=stretch.start_beats, text=STAGGERED))
            words += [
                Direction(at_beats=at, text=f"{number} breathes") for number, at in stretch.turns
            ]
    return tuple(marks), tuple(words)


def bow_words(
    performance: Performance, player: Player, chords: Iterable[Chord]
) -> tuple[Direction, ...]:
    """Return what strings are told who have a tone longer than a bow."""
    instrument = player.instrument
    if instrument.family is not Family.STRINGS or instrument.sound is not Sound.SUSTAINED:
        return ()
    if not any(_length_s(performance, chord) > BOW_S for chord in chords):
        return ()
    return (Direction(at_beats=Fraction(0), text=BOWED, is_general=True),)


def _length_s(performance: Performance, chord: Chord) -> float:
    return performance.insert.tempo.span_s(chord.on_beats, chord.off_beats)


def _stretches(performance: Performance, part: int, line: Sequence[Chord]) -> Iterator[Stretch]:
    tempo = performance.insert.tempo
    run: list[Chord] = []
    for chord in line:
        if run and tempo.span_s(run[-1].off_beats, chord.on_beats) >= BREATH_GAP_S:
            yield _measured(performance, part, run)
            run = []
        run.append(chord)
    if run:
        yield _measured(performance, part, run)


def _measured(performance: Performance, part: int, run: Sequence[Chord]) -> Stretch:
    loudness = PartLoudness.of(performance.insert.parts[part])
    lengths_s = [_length_s(performance, chord) for chord in run]
    meant = [
        loudness.loudness_at(performance.notes[chord.notes[0]].target.velocity, chord.on_beats)
        for chord in run
    ]
    mean = sum(a * b for a, b in zip(meant, lengths_s, strict=True)) / sum(lengths_s)
    breath_s = performance.players[part].instrument.breath_s or 0.0
    return Stretch(
        chords=tuple(run),
        length_s=performance.insert.tempo.span_s(run[0].on_beats, run[-1].off_beats),
        limit_s=breath_s * _share(mean),
    )


def _share(loudness: float) -> float:
    velocities, shares = zip(*BREATH_AT, strict=True)
    return float(np.interp(loudness, velocities, shares))


def _planned(
    performance: Performance,
    player: Player,
    stretch: Stretch,
    taken: set[Fraction],
    *,
    is_shared: bool,
) -> Stretch:
    if not stretch.is_long:
        return stretch
    if is_shared and len(player.numbers) > 1:
        return replace(stretch, turns=tuple(_turns(performance, player, stretch)))
    return replace(stretch, commas=_commas(performance, stretch, taken))


def _commas(
    performance: Performance, stretch: Stretch, taken: set[Fraction]
) -> tuple[Fraction, ...]:
    """Return the cheapest ends of notes to breathe at (dynamic programming)."""
    seconds_at = performance.insert.tempo.seconds_at
    ends = [chord.off_beats for chord in stretch.chords]
    at_s = [float(seconds_at(at)) for at in (stretch.start_beats, *ends)]
    best: list[tuple[float, tuple[Fraction, ...]]] = [(0.0, ())]
    for last, chord in enumerate(stretch.chords, start=1):
        is_end = last == len(ends)
        own = 0.0 if is_end else _cost(performance.insert.bars, chord, taken)
        ways = [
            (cost + own + _OVER * max((at_s[last] - at_s[first]) / stretch.limit_s - 1.0, 0.0), at)
            for first, (cost, at) in enumerate(best)
        ]
        cost, places = min(ways)
        best.append((cost, places if is_end else (*places, chord.off_beats)))
    return best[-1][1]


def _cost(bars: Sequence[Bar], chord: Chord, taken: set[Fraction]) -> float:
    at = chord.off_beats
    bar = bars[bar_index(bars, at)]
    cost = _ELSEWHERE
    if at == bar.start_beats:
        cost = _AT_BAR_LINE
    elif ((at - bar.start_beats) / bar.meter.unit_beats).denominator == 1:
        cost = _AT_BEAT
    long = min((chord.off_beats - chord.on_beats) / _LONG_BEATS, Fraction(1))
    return cost - _AFTER_LONG * float(long) + _TAKEN * (at in taken)


def _turns(
    performance: Performance, player: Player, stretch: Stretch
) -> Iterator[tuple[int, Fraction]]:
    """Yield where each of several players breathes, one after the other at even distances."""
    tempo, bars = performance.insert.tempo, performance.insert.bars
    places = [at for at in _beats(bars, stretch) if at > stretch.start_beats]
    joints = {chord.on_beats for chord in stretch.chords} | {bar.start_beats for bar in bars}
    hidden = [at for at in places if at not in joints] or places
    seconds = [float(tempo.seconds_at(at)) for at in hidden]
    start_s = float(tempo.seconds_at(stretch.start_beats))
    several = len(player.numbers)
    each = 1
    while several * stretch.length_s / (each * several + 1) > stretch.limit_s:
        each += 1
    found: dict[Fraction, int] = {}
    for turn in range(each * several):
        wanted_s = start_s + stretch.length_s * (turn + 1) / (each * several + 1)
        free = [k for k, at in enumerate(hidden) if at not in found]
        nearest = min(free, key=partial(_stray, seconds, wanted_s), default=None)
        if nearest is not None:
            found[hidden[nearest]] = player.numbers[turn % several]
    yield from ((found[at], at) for at in sorted(found))


def _stray(seconds: Sequence[float], wanted_s: float, place: int) -> float:
    return abs(seconds[place] - wanted_s)


def _beats(bars: Sequence[Bar], stretch: Stretch) -> Iterator[Fraction]:
    """Yield the counts inside a stretch."""
    end = stretch.chords[-1].off_beats
    starts = [bar.start_beats for bar in bars]
    for bar in bars[max(bisect_right(starts, stretch.start_beats) - 1, 0) :]:
        at = bar.start_beats
        while at < min(bar.end_beats, end):
            if at > stretch.start_beats:
                yield at
            at += bar.meter.unit_beats

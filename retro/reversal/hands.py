"""Two hands at struck strings, bars and keys: who takes which tone, and how long it is written.

A player strikes tones together and lets them go together; a hand keeps two rhythms at most. What a
reversed arpeggio asks for, tones struck at once and damped one by one, no hand does and no eye
reads; it is written as one chord that rings as long as its longest tone (common practice: struck
tones are written as they are struck, and ring). The plan's residuals say what that costs.

Conventions
-----------
A span is (on, off) in quarter notes; `pitches` are MIDI numbers, one per span, in any order.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from itertools import groupby, pairwise

from retro.model.time import Span

HAND_SPAN = 16
"""Widest chord under one hand, in semitones: a tenth (common practice)."""

TOGETHER_BEATS = Fraction(1)
"""Tones struck together whose releases differ by less are let go together (our own choice)."""

OVERLAP_BEATS = Fraction(1, 2)
"""A tone that outlasts the next stroke by no more ends with it (our own choice)."""

MAX_RHYTHMS = 2
"""Rhythms that one stave shows legibly (common practice)."""

_MIDDLE_C = 60
_START_PLACES = (48.0, 72.0)

_Path = tuple["_Path", int] | None


def struck_spans(
    spans: Sequence[Span], pitches: Sequence[int], *, hands: int, rhythms: int = MAX_RHYTHMS
) -> tuple[Span, ...]:
    """Return struck tones so that they can be read, in the same order: only releases move.

    `hands` is 2 where the tones are split between two staves; a hand keeps so many `rhythms` at
    once.
    """
    tones = range(len(spans))
    groups = split_hands([on for on, _ in spans], pitches) if hands > 1 else (list(tones),)
    written = list(spans)
    _let_go_together(written, tones, rhythms + hands - 1)
    for hand in groups:
        _let_go_together(written, hand, rhythms)
        _end_with_the_next(written, hand)
        for crowd in _crowds(written, hand, rhythms):
            _let_go_together(written, crowd, 0)
            _end_with_the_next(written, hand, only=crowd)
    written = list(_until_struck_again(written, pitches))
    for hand in groups:
        for crowd in _crowds(written, hand, rhythms):
            _end_with_the_next(written, hand, only=crowd)
    return tuple(written)


def _until_struck_again(spans: Sequence[Span], pitches: Sequence[int]) -> Iterator[Span]:
    """Yield the spans, none longer than to the next stroke of its own key or string."""
    strokes: dict[int, list[Fraction]] = defaultdict(list)
    for (on, _), pitch in zip(spans, pitches, strict=True):
        strokes[pitch].append(on)
    for places in strokes.values():
        places.sort()
    for (on, off), pitch in zip(spans, pitches, strict=True):
        later = strokes[pitch][bisect_right(strokes[pitch], on) :]
        yield on, min([off, *later[:1]])


def _let_go_together(spans: list[Span], tones: Iterable[int], rhythms: int) -> None:
    """Let chords go together that part in more than some rhythms, or almost together."""
    chords: dict[Fraction, list[int]] = defaultdict(list)
    for tone in tones:
        chords[spans[tone][0]].append(tone)
    for on, chord in chords.items():
        offs = {spans[tone][1] for tone in chord}
        if len(offs) > rhythms or max(offs) - min(offs) < TOGETHER_BEATS:
            for tone in chord:
                spans[tone] = (on, max(offs))


def _end_with_the_next(
    spans: list[Span], hand: Sequence[int], only: Sequence[int] | None = None
) -> None:
    """End tones with the hand's next stroke: those that hardly outlast it, or some of them."""
    following = dict(pairwise(sorted({spans[tone][0] for tone in hand})))
    for tone in hand if only is None else only:
        on, off = spans[tone]
        limit = following.get(on, off)
        if limit < off and (only is not None or off <= limit + OVERLAP_BEATS):
            spans[tone] = (on, limit)


def _crowds(spans: Sequence[Span], hand: Sequence[int], rhythms: int) -> list[list[int]]:
    """Return the runs of overlapping tones of a hand that keep more than some rhythms at once."""
    runs: list[list[int]] = []
    until = Fraction(0)
    for tone in sorted(hand, key=lambda tone: spans[tone]):
        on, off = spans[tone]
        if not runs or on >= until:
            runs.append([])
        runs[-1].append(tone)
        until = max(until, off)
    return [run for run in runs if _rhythms({spans[tone] for tone in run}) > rhythms]


def _rhythms(spans: set[Span]) -> int:
    """Count the spans that lie over each other at most."""
    return max(sum(on <= start < off for on, off in spans) for start, _ in spans)


def split_hands(starts: Sequence[Fraction], pitches: Sequence[int]) -> tuple[list[int], list[int]]:
    """Return the places of the tones of the upper hand, and of the lower.

    Chords are split where both hands can reach them and move least; where nothing else decides, at
    middle C (common practice).
    """
    ordered = sorted(range(len(starts)), key=lambda i: (starts[i], pitches[i], i))
    groups = [list(group) for _, group in groupby(ordered, key=lambda i: starts[i])]
    upper: list[int] = []
    lower: list[int] = []
    for group, cut in zip(groups, _cuts([[pitches[i] for i in g] for g in groups]), strict=True):
        lower += group[:cut]
        upper += group[cut:]
    return upper, lower


def _cuts(groups: Sequence[Sequence[int]]) -> list[int]:
    """How many of each group's lowest notes the lower hand takes (cheapest path)."""
    states: list[tuple[float, _Path, tuple[float, float]]] = [(0.0, None, _START_PLACES)]
    for group in groups:
        following: list[tuple[float, _Path, tuple[float, float]]] = []
        for cut in range(len(group) + 1):
            alone = _hand_cost(group[:cut], group[cut:])
            moves = [
                (cost + alone + _move_cost(group[:cut], group[cut:], places), path, places)
                for cost, path, places in states
            ]
            cost, path, places = min(moves, key=lambda move: move[0])
            following.append((cost, (path, cut), _moved(group[:cut], group[cut:], places)))
        states = following
    path = min(states, key=lambda state: state[0])[1]
    cuts = []
    while path is not None:
        path, cut = path
        cuts.append(cut)
    return cuts[::-1]


def _hand_cost(low: Sequence[int], high: Sequence[int]) -> float:
    spans = [hand[-1] - hand[0] for hand in (low, high) if hand]
    stretched = sum(20.0 + span - HAND_SPAN for span in spans if span > HAND_SPAN)
    strayed = sum(max(pitch - _MIDDLE_C, 0) for pitch in low)
    strayed += sum(max(_MIDDLE_C - pitch, 0) for pitch in high)
    return stretched + 0.5 * strayed


def _move_cost(low: Sequence[int], high: Sequence[int], places: tuple[float, float]) -> float:
    moves = [
        abs(sum(hand) / len(hand) - place)
        for hand, place in zip((low, high), places, strict=True)
        if hand
    ]
    return 0.3 * sum(moves)


def _moved(
    low: Sequence[int], high: Sequence[int], places: tuple[float, float]
) -> tuple[float, float]:
    left, right = (
        sum(hand) / len(hand) if hand else place
        for hand, place in zip((low, high), places, strict=True)
    )
    return left, right

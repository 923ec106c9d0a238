"""Swing or straight: what a song's pairs of eighths are, and what a page has to say of its own.

Conventions
-----------
A pair is two strokes of one part in a beat of a quarter, the first on the beat and nothing else
in it. It swings where the second lies near two thirds of the beat, and is even near the half.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator
from fractions import Fraction

from retro.model.phrase import Part, Phrase

EVEN = (Fraction(45, 100), Fraction(55, 100))
SWUNG = (Fraction(58, 100), Fraction(75, 100))
"""Where the second of a pair begins in its beat (common practice: two to one is at 0.67)."""

MIN_SHARE = Fraction(2, 3)
MIN_PAIRS, MIN_OWN_PAIRS = 8, 2
"""Share of the pairs that makes a feel, and fewest of them in a song and in a window (our own
estimate)."""


def is_straight(song: Phrase, start_beats: Fraction, end_beats: Fraction, target: Phrase) -> bool:
    """Return whether a song swings outside a window, and what is wanted in it does not."""
    around: Counter[str] = Counter()
    for at, feel in _pairs(song):
        if not start_beats <= at < end_beats:
            around[feel] += 1
    own = Counter(feel for _, feel in _pairs(target))
    return _is("swung", around, MIN_PAIRS) and _is("even", own, MIN_OWN_PAIRS)


def _is(feel: str, pairs: Counter[str], fewest: int) -> bool:
    return pairs[feel] >= fewest and pairs[feel] >= MIN_SHARE * pairs.total()


def _pairs(phrase: Phrase) -> Iterator[tuple[Fraction, str]]:
    """Yield the beat and the feel of every pair: "swung" or "even"."""
    beats = [
        bar.start_beats + beat
        for bar in phrase.bars
        if bar.meter.denominator == 4
        for beat in range(int(bar.length_beats))
    ]
    for part in phrase.parts:
        strokes = _strokes(part)
        for beat in beats:
            inside = strokes.get(beat, ())
            if len(inside) == 2 and inside[0] < SWUNG[0] - EVEN[1]:
                for feel, (low, high) in (("even", EVEN), ("swung", SWUNG)):
                    if low <= inside[1] <= high:
                        yield beat, feel


def _strokes(part: Part) -> dict[Fraction, list[Fraction]]:
    """Return where in each quarter something begins, once each."""
    places: dict[Fraction, set[Fraction]] = defaultdict(set)
    for note in part.notes:
        beat = Fraction(note.on_beats // 1)
        places[beat].add(note.on_beats - beat)
    return {beat: sorted(inside) for beat, inside in places.items()}

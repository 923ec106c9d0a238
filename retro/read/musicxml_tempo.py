"""Words for the tempo in MusicXML scores: which they are, and how long each holds."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from retro.model.tempo_words import TempoKind, TempoWord
from retro.model.time import Bar
from retro.read.charset import as_line
from retro.read.musicxml_measures import RawMeasure

MAX_WORDS = 120
"""Characters of words that are kept."""

SAME = re.compile(r"\b(l['’ ]?istesso|lo stesso|doppio movimento|doppel|♩ ?= ?♩)")
"""Words that tie one tempo to the one before, over a meter that changes."""

BACK_TO_FIRST = re.compile(r"\b(tempo (i\b|1|primo|prim\b)|1 ?o tempo|erstes zeitma|1er mouv)")
BACK = re.compile(
    r"\b(a tempo|in tempo|au mouv|im (haupt)?(tempo|zeitma)|im zeitma|wieder im tempo)"
)

KINDS = (
    (
        TempoKind.SLOWING,
        re.compile(
            r"\b(rit(\.|\b|ard|en|\.?dando)|rall|allarg|slarg|calando|c(é|e)dez|ralenti|retenu|retenez|"
            r"zur(ü|ue)ckhalt|verlangsam|langsamer werd|breiter werd|slow(ing)? down|slower and)"
        ),
    ),
    (
        TempoKind.QUICKENING,
        re.compile(
            r"\b(accel|string(\.|endo)|affrett|en pressant|pressez|serrez|beschleunig|"
            r"schneller werd|getting faster|speed(ing)? up|faster and)"
        ),
    ),
    (
        TempoKind.AT_ONCE_SLOWER,
        re.compile(
            r"\b(meno (mosso|presto|allegro|vivo|moto)|pi(ù|u) (lento|largo|adagio|tranquillo)|"
            r"langsamer|plus lent|moins vite|slower)"
        ),
    ),
    (
        TempoKind.AT_ONCE_FASTER,
        re.compile(
            r"\b(pi(ù|u) (mosso|presto|vivo|allegro|animato|moto)|schneller|plus vite|faster)"
        ),
    ),
    (
        TempoKind.STEADY,
        re.compile(
            r"\b(allegr|andant|adag|larg(o|h)|prest(o|iss)|vivac|vivo|vivement|moderat|mod(é|e)r(é|e)|"
            r"lent(o|ement|\b)|grave|maestoso|tempo|mosso|rubato|schnell|langsam|m(ä|ae|a)(ß|ss)ig|"
            r"lebhaft|vite\b|animato|con moto)|^(very |quite |medium )?(slow(ly)?|fast|brisk(ly)?|"
            r"lively|moderately)\W*$"
        ),
    ),
)
"""What words for a tempo do; the first that fits counts."""

DEGREE = re.compile(r"\b((un )?poco a poco|(un )?poco|un peu|etwas|molto|sempre|assai|subito)\b")
"""How a change goes."""

NUMBER = re.compile(r"\s*(\(|\[|=|♩|♪|\bm\. ?m\.|\bc(a|irc)\. ?\d|\d).*", re.IGNORECASE | re.DOTALL)
"""Where words turn into a metronome mark."""


@dataclass(frozen=True, slots=True)
class _State:
    """What words last said of the tempo."""

    kind: TempoKind
    text: str


def is_tempo(text: str) -> bool:
    """Return whether words name a tempo or its change."""
    folded = text.casefold()
    patterns = (SAME, BACK_TO_FIRST, BACK, *(pattern for _, pattern in KINDS))
    return any(pattern.search(folded) for pattern in patterns)


def tempo_words(
    columns: Sequence[Sequence[RawMeasure]], order: Sequence[int], bars: Sequence[Bar]
) -> tuple[TempoWord, ...]:
    """Return the words for the tempo of a song, none of them over another.

    `columns` are its measures, in the order of the file, in all parts that have them; `order` has
    their indexes as they are played, `bars` their places.
    """
    in_force, inside = _states(columns)
    changes: list[tuple[Fraction, _State | None]] = []
    before = None
    for index, bar in zip(order, bars, strict=True):
        if before is not None and index != before + 1:
            changes.append((bar.start_beats, in_force[index]))
        changes.extend((bar.start_beats + at, state) for at, state in inside[index])
        before = index
    return tuple(_spans(changes, bars[-1].end_beats))


def _states(
    columns: Sequence[Sequence[RawMeasure]],
) -> tuple[list[_State | None], list[list[tuple[Fraction, _State | None]]]]:
    """Return what holds at the start of every measure, and what begins inside it."""
    in_force: list[_State | None] = []
    inside: list[list[tuple[Fraction, _State | None]]] = []
    state = first = steady = None
    for column in columns:
        in_force.append(state)
        inside.append([])
        for at, text in _texts(column):
            if SAME.search(text.casefold()):
                continue
            state = _state(text, first, steady)
            if state is not None and not state.kind.is_gradual:
                first, steady = first or state, state
            inside[-1].append((at, state))
    return in_force, inside


def _texts(column: Sequence[RawMeasure]) -> list[tuple[Fraction, str]]:
    """Return the words for the tempo in one measure, from the first part that has them."""
    found: dict[Fraction, str] = {}
    for measure in column:
        for direction in measure.directions:
            if direction.kind == "words" and is_tempo(direction.text):
                found.setdefault(direction.at, direction.text)
    return sorted(found.items())


def _state(text: str, first: _State | None, steady: _State | None) -> _State | None:
    folded = text.casefold()
    kind = next((kind for kind, pattern in KINDS[:2] if pattern.search(folded)), None)
    if kind is not None:
        degree = DEGREE.search(folded)
        return _State(kind, degree[0] if degree else "")
    if BACK_TO_FIRST.search(folded):
        return first
    if BACK.search(folded):
        return steady
    kind = next(kind for kind, pattern in KINDS if pattern.search(folded))
    line = as_line(NUMBER.sub("", text))[:MAX_WORDS].strip(" ,;:")
    return _State(kind, line) if line else steady


def _spans(changes: Sequence[tuple[Fraction, _State | None]], length: Fraction) -> list[TempoWord]:
    """Return the states as words with their spans; what goes on unchanged is one word."""
    words: list[TempoWord] = []
    ends = [at for at, _ in changes[1:]]
    for (start, state), end in zip(changes, [*ends, length], strict=False):
        if state is None or start >= end:
            continue
        word = TempoWord(start_beats=start, end_beats=end, kind=state.kind, text=state.text)
        if words and _goes_on(words[-1], word):
            words[-1] = replace(words[-1], end_beats=end)
        else:
            words.append(word)
    return words


def _goes_on(word: TempoWord, other: TempoWord) -> bool:
    """Whether two words that follow each other say the same."""
    is_next = word.end_beats == other.start_beats
    return is_next and (word.kind, word.text) == (other.kind, other.text)

"""What is written for figures: graces behind their main note, a glissando from end to end.

The grid writes no figure: graces and the inner notes of a glissando are taken out before notes are
brought to it, and put back with spans that only say when they are played. Graces take their time
from the rest behind their main note, or where the next note follows at once from the main note
itself (common practice for after-notes); a glissando's first note lasts until its last begins.

Conventions
-----------
A span is (on, off) in quarter notes of insert time. Notes are indexes as in `retro.model.figures`.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from retro.model.figures import Figure, FigureKind, off_the_grid
from retro.model.phrase import Note, Part, Phrase
from retro.model.sound import FloatArray
from retro.model.time import Span, TempoMap
from retro.units import nearest

GRACE_BEATS = Fraction(1, 8)
"""Length of a written grace note at most; all of a group take half of their main note at most."""

TOUCH_BEATS = Fraction(1, 32)
"""How nearly a note ends where graces begin that go on from it (our own choice)."""

UNIT = Fraction(1, 960)
"""What the performed places of a glissando are rounded to."""


def without_figures(phrase: Phrase, figures: Sequence[Figure]) -> Phrase:
    """Return a target without what the grid does not write.

    A note that lasts until the first of some graces lasts until their main note instead.
    """
    off = off_the_grid(figures)
    parts: list[Part] = []
    first = 0
    for part in phrase.parts:
        numbered = dict(enumerate(part.notes, start=first))
        first += len(part.notes)
        until: dict[Fraction, Fraction] = {}
        for figure in figures:
            if figure.main is not None and figure.main in numbered:
                begins = numbered[figure.notes[-1]].on_beats
                until[begins] = numbered[figure.main].on_beats
        kept = [_until(note, until) for number, note in numbered.items() if number not in off]
        parts.append(replace(part, notes=tuple(kept)))
    return replace(phrase, parts=tuple(parts))


def _until(note: Note, until: dict[Fraction, Fraction]) -> Note:
    """Return a note that ends with its line's graces, if it ended where they began or nearly."""
    ends = [end for begins, end in until.items() if abs(note.off_beats - begins) <= TOUCH_BEATS]
    return replace(note, off_beats=ends[0]) if ends and note.on_beats < ends[0] else note


def with_figures(
    spans: Sequence[Span],
    figures: Sequence[Figure],
    *,
    part_sizes: Sequence[int],
    start_s: FloatArray,
    tempo: TempoMap,
) -> list[Span]:
    """Return the spans of all notes: those that the grid writes, given in order, and the figures'.

    `start_s` is when every note is played, in seconds of insert time.
    """
    off = off_the_grid(figures)
    nothing = (Fraction(0), Fraction(0))
    given = iter(spans)
    every = [nothing if i in off else next(given) for i in range(sum(part_sizes))]
    first = 0
    for size in part_sizes:
        notes = range(first, first + size)
        first = notes.stop
        starts = sorted(every[i][0] for i in notes if i not in off)
        for figure in figures:
            if figure.notes[0] not in notes:
                continue
            if figure.kind is FigureKind.GLISSANDO:
                _sweep(every, figure.notes, start_s, tempo)
            elif figure.main is not None:
                _follow(every, figure.notes, every[figure.main], starts, tempo.length_beats)
    return every


def _follow(
    every: list[Span],
    graces: Sequence[int],
    main: Span,
    starts: Sequence[Fraction],
    end: Fraction,
) -> None:
    """Put graces behind their main note, before the next note."""
    on, off = main
    each = min(GRACE_BEATS, (off - on) / 2 / len(graces))
    place = bisect_left(starts, off)
    next_on = starts[place] if place < len(starts) else end
    has_room = next_on - off >= each * len(graces)
    begin = off if has_room else off - each * len(graces)
    for count, grace in enumerate(graces):
        every[grace] = (begin + count * each, begin + (count + 1) * each)


def _sweep(every: list[Span], notes: Sequence[int], start_s: FloatArray, tempo: TempoMap) -> None:
    """Spread a glissando between its ends as it is performed; its first note lasts up to its last.

    Where its ends fall together or are out of order on the grid, it takes what its first note has.
    """
    first, last = every[notes[0]], every[notes[-1]]
    if last[0] <= first[0]:
        middle = (first[0] + first[1]) / 2
        last = (middle, max(last[1], first[1]))
    begin, end = first[0], last[0]
    inner = [_beats_at(tempo, float(start_s[i])) for i in notes[1:-1]]
    if not (inner and begin < inner[0] and inner[-1] < end and inner == sorted(set(inner))):
        count = len(inner) + 1
        inner = [begin + (end - begin) * Fraction(k, count) for k in range(1, count)]
    every[notes[0]], every[notes[-1]] = (begin, end), last
    for note, on, off in zip(notes[1:-1], inner, [*inner[1:], end], strict=True):
        every[note] = (on, off)


def _beats_at(tempo: TempoMap, seconds: float) -> Fraction:
    return nearest(tempo.beats_at(Fraction(seconds)) / UNIT) * UNIT

"""The mirror law: time turned round, exactly, and back again.

An instant ``t`` goes to ``L - t``, a span ``[a, b)`` to ``[L - b, L - a)``, and mirroring twice
gives the first object back, to the tick (`docs/theory.md`).
"""

from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction

from retro.model.latest import remembered
from retro.model.performance import Performance
from retro.model.phrase import Marker, Note, Part, Phrase
from retro.model.time import Bar


def mirror_note(note: Note, length_beats: Fraction) -> Note:
    """Mirror a note in a window of `length_beats`."""
    return replace(
        note,
        on_beats=length_beats - note.off_beats,
        off_beats=length_beats - note.on_beats,
        cut_before=note.cut_after,
        cut_after=note.cut_before,
    )


def performed(performance: Performance, notes: Iterable[int]) -> tuple[Note, ...]:
    """Return some notes of a performance, by their indexes, as the mirror has them."""
    length_beats = performance.insert.length_beats
    return tuple(mirror_note(performance.notes[i].target, length_beats) for i in notes)


def mirror_part(part: Part, length_beats: Fraction) -> Part:
    """Mirror a part: notes, controllers as functions of time, bend, and signs."""
    return replace(
        part,
        notes=tuple(sorted(mirror_note(note, length_beats) for note in part.notes)),
        controllers=tuple((number, steps.mirrored()) for number, steps in part.controllers),
        bend=part.bend.mirrored() if part.bend else None,
        signs=part.signs and tuple(sorted(sign.mirrored(length_beats) for sign in part.signs)),
    )


def mirror_bars(bars: tuple[Bar, ...], length_beats: Fraction) -> tuple[Bar, ...]:
    """Mirror bars: their order, and the beat groups inside each, are reversed."""
    return tuple(
        Bar(
            length_beats - bar.end_beats,
            bar.length_beats,
            bar.meter.mirrored(),
            bar.meter.length_beats - bar.into_beats - bar.length_beats,
            bar.number,
        )
        for bar in reversed(bars)
    )


@remembered(4)
def insert_of(target: Phrase) -> Phrase:
    """Return what is played: the mirrored phrase, every short bar under the meter that it fills."""
    insert = mirror(target)
    return replace(insert, bars=tuple(bar.under_its_own_meter() for bar in insert.bars))


def mirror(phrase: Phrase) -> Phrase:
    """Mirror a whole phrase; ``mirror(mirror(phrase)) == phrase``."""
    length_beats = phrase.length_beats
    return replace(
        phrase,
        tempo=phrase.tempo.mirrored(),
        bars=mirror_bars(phrase.bars, length_beats),
        keys=phrase.keys.mirrored(),
        markers=tuple(sorted(Marker(length_beats - m.at_beats, m.text) for m in phrase.markers)),
        parts=tuple(mirror_part(part, length_beats) for part in phrase.parts),
        tempo_words=tuple(sorted(word.mirrored(length_beats) for word in phrase.tempo_words)),
    )

"""What is drawn on strokes: articulation, tremolo, trills, ties that lead nowhere, slurs, slides.

Conventions
-----------
music21 draws what it can. What it cannot is an element of its own, kept for the head's `notations`.
"""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Any

from music21 import articulations, expressions, spanner

from retro.model.phrase import Key
from retro.model.time import Bar, bar_index
from retro.musicxml.elements import add, element
from retro.notation.accidentals import ALTERS, key_alter, key_at
from retro.notation.score import Articulation, Mark, Stave, Voice

ON_FIRST = {
    Articulation.STACCATO: articulations.Staccato,
    Articulation.TENUTO: articulations.Tenuto,
    Articulation.ACCENT: articulations.Accent,
}
FLAGS = ("eighth", "16th", "32nd")
"""Note values by their flags, one and more; every flag of a head is a tremolo's stroke the less
(common practice)."""

Extra = dict[str, list[Any]]
"""Elements of `notations` that music21 has not, by the name of their head."""

Written = dict[int, list[Any]]
"""The strokes of one voice, each as the tied notes that music21 writes."""


def put_marks(
    stave: Stave,
    written: Sequence[Written],
    keys: Sequence[tuple[Fraction, Key]],
    bars: Sequence[Bar],
) -> Extra:
    """Put the marks of every voice on its strokes; give what music21 has not."""
    extra: Extra = {}
    for number, (voice, strokes) in enumerate(zip(stave.voices, written, strict=True)):
        _mark(voice, strokes, extra)
        for mark in voice.marks:
            if mark.kind is Articulation.TRILL:
                is_shown = _shows_upper(mark, stave, keys, bars)
                tied = strokes[_index_at(voice, mark.at_beats)]
                side = "below" if number else "above"
                _trill(mark, tied, extra, side=side, is_shown=is_shown)
    return extra


def _index_at(voice: Voice, at: Fraction) -> int:
    """Give the index of the stroke that begins at a place."""
    return bisect_left(voice.strokes, at, key=lambda stroke: stroke.on_beats)


def _mark(voice: Voice, strokes: Written, extra: Extra) -> None:
    """Put the marks on the pieces of their strokes, those in `extra` that music21 has not."""
    for mark in voice.marks:
        pieces = strokes[_index_at(voice, mark.at_beats)]
        if mark.kind in ON_FIRST:
            pieces[0].articulations.append(ON_FIRST[mark.kind]())
        elif mark.kind is Articulation.TREMOLO:
            for piece in pieces:
                tremolo = expressions.Tremolo()
                tremolo.numberOfMarks = mark.strokes - _flags(piece)
                piece.expressions.append(tremolo)
        elif mark.kind is Articulation.LET_RING:
            # music21 has no tie that leads nowhere for a head that is tied to.
            for head in _heads_of(pieces[-1]):
                extra.setdefault(head.id, []).append(element("tied", type="let-ring"))
        elif mark.kind is not Articulation.TRILL:
            way = "up" if mark.kind is Articulation.ARPEGGIO_UP else "down"
            pieces[0].expressions.append(expressions.ArpeggioMark(way))


def _heads_of(piece: Any) -> Sequence[Any]:
    return getattr(piece, "notes", (piece,))


def _flags(piece: Any) -> int:
    kind = piece.duration.type
    return FLAGS.index(kind) + 1 if kind in FLAGS else 0


def _trill(mark: Mark, pieces: Sequence[Any], extra: Extra, *, side: str, is_shown: bool) -> None:
    """Put a trill over its stroke, with a wavy line where the stroke is tied.

    music21 drops the accidental of the upper note.
    """
    sign = element("ornaments")
    add(sign, "trill-mark", placement=side)
    if len(pieces) > 1:
        add(sign, "wavy-line", type="start", placement=side)
        end = element("ornaments")
        add(end, "wavy-line", type="stop")
        extra.setdefault(_heads_of(pieces[-1])[0].id, []).append(end)
    if is_shown and mark.upper is not None:
        add(sign, "accidental-mark", ALTERS[mark.upper.alter], placement=side)
    extra.setdefault(_heads_of(pieces[0])[0].id, []).append(sign)


def _shows_upper(
    mark: Mark, stave: Stave, keys: Sequence[tuple[Fraction, Key]], bars: Sequence[Bar]
) -> bool:
    """Whether a trill's upper note is not what the key says, or the bar has had it otherwise."""
    upper, at = mark.upper, mark.at_beats
    if upper is None:
        return False
    bar = bars[bar_index(bars, at)]
    before = {
        name.alter
        for voice in stave.voices
        for stroke in voice.strokes
        if stroke.on_beats <= at and stroke.off_beats > bar.start_beats
        for name in stroke.spelled
        if (name.step, name.octave) == (upper.step, upper.octave)
    }
    return bool({key_alter(key_at(keys, at), upper.step), *before} - {upper.alter})


def lines_on(voice: Voice, strokes: Written) -> Iterator[spanner.Spanner]:
    """Draw the slurs and slides of a voice."""
    for line in voice.lines:
        first, last = (strokes[_index_at(voice, at)] for at in (line.start_beats, line.end_beats))
        if line.kind == "slur":
            yield spanner.Slur(first[0], last[-1])
        else:
            yield spanner.Glissando(first[-1], last[0])

"""Graces and glissandi as they stand on a stave: behind their main note, and from end to end.

What they stand for is `retro.reversal.figures`'s matter; the chords here hold their notes.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from retro.model.figures import Figure, FigureKind
from retro.model.performance import Performance
from retro.model.spelling import SIGNS
from retro.notation.score import Chord, Direction, Grace, Line, Spelled, Stave, Voice
from retro.notation.voices import single_chords

LINED = FigureKind.GLISSANDO


def with_figures(
    performance: Performance, signed: Mapping[int, Chord], names: Sequence[Spelled], part: int
) -> dict[int, Chord]:
    """Return the chords of notes that have a sign or a figure, by their main note.

    `signed` are the chords that have a sign, `names` the written pitches of the whole performance.
    """
    chords = dict(signed)
    for figure in _of(performance, part):
        head = figure.notes[0] if figure.main is None else figure.main
        under = next((key for key, chord in chords.items() if head in chord.all_notes), head)
        chord = chords.get(under) or single_chords(performance, [head], names=names)[0]
        chords[under] = _with(performance, chord, figure, names)
    return chords


def _of(performance: Performance, part: int) -> Iterator[Figure]:
    for figure in performance.figures:
        if performance.notes[figure.notes[0]].part == part and figure.kind is not FigureKind.RUN:
            yield figure


def _with(
    performance: Performance, chord: Chord, figure: Figure, names: Sequence[Spelled]
) -> Chord:
    if figure.kind is LINED:
        return replace(chord, more=(figure.notes[1:-1],))
    graces = (
        Grace(note=note, pitch=performance.notes[note].target.pitch, spelled=names[note])
        for note in figure.notes
    )
    # A tremolo may stand for the main notes of several.
    return replace(chord, graces=(*chord.graces, *graces))


def glissando_words(
    performance: Performance, chords: Sequence[Chord], names: Sequence[Spelled]
) -> Iterator[Direction]:
    """Yield the word over each glissando of some chords, and where it goes."""
    places = {note: chord.on_beats for chord in chords for note in chord.notes}
    for figure in performance.figures:
        if figure.kind is LINED and figure.notes[0] in places:
            last = names[figure.notes[-1]]
            text = f"gliss. to {last.step}{SIGNS[last.alter]}{last.octave}"
            yield Direction(at_beats=places[figure.notes[0]], text=text)


def with_glissandi(performance: Performance, voice: Voice) -> Voice:
    """Return a voice with a line from each glissando's first note to its last."""
    places = {note: chord.on_beats for chord in voice.chords for note in chord.notes}
    lines = [
        Line(
            kind="glissando",
            start_beats=places[figure.notes[0]],
            end_beats=places[figure.notes[-1]],
        )
        for figure in performance.figures
        if figure.kind is LINED and {figure.notes[0], figure.notes[-1]} <= places.keys()
    ]
    return replace(voice, lines=(*voice.lines, *lines))


def slides_across(performance: Performance, staves: Iterable[Stave]) -> Iterator[tuple[int, int]]:
    """Yield first and last note of each glissando from one voice of a part to another."""
    voices = [voice for stave in staves for voice in stave.voices]
    homes = {
        note: place
        for place, voice in enumerate(voices)
        for chord in voice.chords
        for note in chord.notes
    }
    for figure in performance.figures:
        first, last = figure.notes[0], figure.notes[-1]
        if figure.kind is LINED and {first, last} <= homes.keys() and homes[first] != homes[last]:
            yield first, last

"""One stave as measures of MusicXML: notes, rests, ties, tuplets, beams, clefs, keys and meters.

music21 writes the notes; what it cannot place (clefs and directions inside a bar) is put in by
`retro.notate.musicxml`.
"""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any
from xml.etree import ElementTree as PlainTree

from lxml import etree
from music21 import (
    articulations,
    beam,
    chord,
    duration,
    expressions,
    instrument,
    note,
    pitch,
    spanner,
    stream,
    tie,
)
from music21.musicxml.m21ToXml import PartExporter

from retro.model.phrase import Key
from retro.model.time import Bar
from retro.notate.accidentals import Accidental, Chord, key_alter, printed_accidentals
from retro.notate.elements import DIVISIONS, add, element
from retro.notate.rhythm import VALUES, Piece, spell_voice
from retro.notate.score import Articulation, Mark, Spelled, Stave, Voice

ALTERS = {-2: "double-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}

ON_FIRST = {
    Articulation.STACCATO: articulations.Staccato,
    Articulation.TENUTO: articulations.Tenuto,
    Articulation.ACCENT: articulations.Accent,
}
FLAGS = ("eighth", "16th", "32nd")
"""Note values by their flags, one and more; every flag of a head is a tremolo's stroke the less."""


_Extra = dict[str, list[Any]]
"""Elements of `notations` that music21 has not, by the name of their head."""


@dataclass(frozen=True, slots=True)
class _Head:
    """A piece of a stroke in its place."""

    bar: int
    at: Fraction
    voice: int
    piece: Piece


def key_at(keys: Sequence[tuple[Fraction, Key]], at: Fraction) -> Key:
    """Give the key in force at a position."""
    return [key for start, key in keys if start <= max(at, Fraction(0))][-1]


def stave_measures(
    stave: Stave, keys: Sequence[tuple[Fraction, Key]], bars: Sequence[Bar]
) -> list[etree._Element]:
    """Write the bars of one stave, without attributes, directions and bar lines.

    Parameters
    ----------
    keys
        Written keys, the first at 0.
    bars
        Without gaps, from 0.

    Returns
    -------
    list of element
        One ``measure`` per bar; `DIVISIONS` per quarter note.
    """
    spelled = [spell_voice(_spans(voice), bars) for voice in stave.voices]
    printed = _printed(stave, _heads(spelled, bars), keys)
    part = stream.Part()
    part.insert(0, instrument.Instrument())
    objects: list[dict[int, list[Any]]] = [{} for _ in stave.voices]
    extra: _Extra = {}
    for index, bar in enumerate(bars):
        measure = stream.Measure(number=index + 1)
        sounding = [v for v in range(len(spelled)) if _sounds(spelled[v][index])] or [0]
        for number in sounding:
            voice, pieces = stave.voices[number], spelled[number][index]
            shown = [printed.get((number, index, piece.start)) for piece in pieces]
            notes = [_note(voice, *piece) for piece in zip(pieces, shown, strict=True)]
            _take_brackets(notes, pieces)
            container = measure
            if len(sounding) > 1:
                container = stream.Voice(id=number + 1)
                measure.insert(0, container)
                above = [spelled[v][index] for v in sounding if v < number]
                _keep_apart(notes, pieces, above)
            for piece, written in zip(pieces, notes, strict=True):
                container.insert(piece.start, written)
                if piece.stroke is not None:
                    tied = objects[number].setdefault(piece.stroke, [])
                    tied.append(written)
                    _name(written, voice.strokes[piece.stroke].notes, len(tied))
        part.insert(bar.start_beats, measure)
    for number, (voice, strokes) in enumerate(zip(stave.voices, objects, strict=True)):
        _mark(voice, strokes, extra)
        for mark in voice.marks:
            if mark.kind is Articulation.TRILL:
                is_shown = _shows_upper(mark, stave, keys, bars)
                tied = strokes[_index_at(voice, mark.at_beats)]
                side = "below" if number else "above"
                _trill(mark, tied, extra, side=side, is_shown=is_shown)
        _draw_lines(part, voice, strokes)
    return _exported(part, extra)


def _keep_apart(
    notes: Sequence[Any], pieces: Sequence[Piece], above: Sequence[Sequence[Piece]]
) -> None:
    """Keep voices on one stave apart: stems away from each other, one rest where all are silent."""
    for written, piece in zip(notes, pieces, strict=True):
        if piece.stroke is not None:
            written.stemDirection = "down" if above else "up"
        elif any(_is_silent(voice, piece) for voice in above):
            written.style.hideObjectOnPrint = True


def _is_silent(voice: Sequence[Piece], over: Piece) -> bool:
    return not any(
        piece.stroke is not None and piece.start < over.end and piece.end > over.start
        for piece in voice
    )


def _name(written: Any, notes: Sequence[int], place: int) -> None:
    """Name every head after its note of the performance: "n12", and "n12-2" after a tie."""
    heads = written.notes if len(notes) > 1 else (written,)
    for head, index in zip(heads, notes, strict=True):
        head.id = f"n{index}" if place == 1 else f"n{index}-{place}"


def _spans(voice: Voice) -> list[tuple[Fraction, Fraction]]:
    return [(stroke.on_beats, stroke.off_beats) for stroke in voice.strokes]


def _sounds(pieces: Sequence[Piece]) -> bool:
    return any(piece.stroke is not None for piece in pieces)


def _heads(spelled: Sequence[Sequence[Sequence[Piece]]], bars: Sequence[Bar]) -> list[_Head]:
    heads = [
        _Head(index, bars[index].start_beats + piece.start, voice, piece)
        for voice, bars_of in enumerate(spelled)
        for index, pieces in enumerate(bars_of)
        for piece in pieces
        if piece.stroke is not None
    ]
    return sorted(heads, key=lambda head: (head.at, head.voice))


def _printed(
    stave: Stave, heads: Sequence[_Head], keys: Sequence[tuple[Fraction, Key]]
) -> dict[tuple[int, int, Fraction], tuple[Accidental, ...]]:
    """Give how each head's accidental is printed, by voice, bar and place in the bar."""
    chords = [
        Chord(
            bar=head.bar,
            key=key_at(keys, head.at),
            heads=stave.voices[head.voice].strokes[head.piece.stroke or 0].spelled,
            tied_from=head.piece.tied_from,
        )
        for head in heads
    ]
    return {
        (head.voice, head.bar, head.piece.start): printed
        for head, printed in zip(heads, printed_accidentals(chords), strict=True)
    }


def _note(voice: Voice, piece: Piece, printed: tuple[Accidental, ...] | None) -> Any:
    if piece.stroke is None or printed is None:
        rest = note.Rest()
        rest.duration = _duration(piece)
        rest.fullMeasure = piece.is_bar_rest
        return rest
    pitches = [
        _pitch(name, shown)
        for name, shown in zip(voice.strokes[piece.stroke].spelled, printed, strict=True)
    ]
    written = note.Note(pitches[0]) if len(pitches) == 1 else chord.Chord(pitches)
    written.duration = _duration(piece)
    written.beams = _beams(piece)
    kind = {(True, True): "continue", (True, False): "stop", (False, True): "start"}.get(
        (piece.tied_from, piece.tied_to)
    )
    if kind:
        written.tie = tie.Tie(kind)
        for head in written.notes if len(pitches) > 1 else ():
            head.tie = tie.Tie(kind)
    return written


def _pitch(name: Spelled, shown: Accidental) -> pitch.Pitch:
    written = pitch.Pitch(step=name.step, octave=name.octave)
    if name.alter == 0 and shown is Accidental.HIDDEN:
        return written
    accidental = pitch.Accidental(ALTERS[name.alter])
    accidental.displayStatus = shown is not Accidental.HIDDEN
    if shown is Accidental.COURTESY:
        accidental.displayStyle = "parentheses"
    written.accidental = accidental
    return written


def _take_brackets(notes: Sequence[Any], pieces: Sequence[Piece]) -> None:
    """Take the bracket from tuplets that one beam holds together (common practice)."""
    for written, piece in zip(notes, pieces, strict=True):
        beams = [other.beams[:1] for other in pieces if other.tuplet == piece.tuplet]
        inner = [("continue",)] * (len(beams) - 2)
        for tuplet in written.duration.tuplets:
            tuplet.bracket = beams != [("start",), *inner, ("stop",)]


def _duration(piece: Piece) -> duration.Duration:
    if piece.is_bar_rest:
        return duration.Duration(piece.length_beats)
    length = duration.Duration(type=VALUES[piece.value_beats], dots=piece.dots)
    figure = piece.tuplet
    if figure is not None:
        unit = VALUES[figure.unit_beats]
        tuplet = duration.Tuplet(figure.actual, figure.normal, unit, unit)
        edges = (piece.opens_tuplet, piece.closes_tuplet)
        tuplet.type = {
            (True, True): "startStop",
            (True, False): "start",
            (False, True): "stop",
        }.get(edges)
        length.appendTuplet(tuplet)
    return length


def _beams(piece: Piece) -> beam.Beams:
    beams = beam.Beams()
    for kind in piece.beams:
        if kind in ("forward", "backward"):
            beams.append("partial", "right" if kind == "forward" else "left")
        else:
            beams.append(kind)
    return beams


def _index_at(voice: Voice, at: Fraction) -> int:
    """Give the index of the stroke that begins at a place."""
    return bisect_left(voice.strokes, at, key=lambda stroke: stroke.on_beats)


def _mark(voice: Voice, strokes: dict[int, list[Any]], extra: _Extra) -> None:
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


def _trill(mark: Mark, pieces: Sequence[Any], extra: _Extra, *, side: str, is_shown: bool) -> None:
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
    bar = next(bar for bar in bars if bar.start_beats <= at < bar.end_beats)
    before = {
        name.alter
        for voice in stave.voices
        for stroke in voice.strokes
        if stroke.on_beats <= at and stroke.off_beats > bar.start_beats
        for name in stroke.spelled
        if (name.step, name.octave) == (upper.step, upper.octave)
    }
    return bool({key_alter(key_at(keys, at), upper.step), *before} - {upper.alter})


def _draw_lines(part: stream.Part, voice: Voice, strokes: dict[int, list[Any]]) -> None:
    for line in voice.lines:
        first, last = (strokes[_index_at(voice, at)] for at in (line.start_beats, line.end_beats))
        if line.kind == "slur":
            part.insert(0, spanner.Slur(first[0], last[-1]))
        else:
            part.insert(0, spanner.Glissando(first[-1], last[0]))


def _exported(part: stream.Part, extra: _Extra) -> list[etree._Element]:
    exporter = PartExporter(part)
    exporter.makeNotation = False
    text = PlainTree.tostring(exporter.parse(), encoding="unicode")
    measures = list(etree.fromstring(text).iterchildren("measure"))
    for measure in measures:
        for child in list(measure.iterchildren("attributes", "barline", "print")):
            measure.remove(child)
        for written in measure.iterchildren("note"):
            if written.get("id") in extra:
                notations = written.find("notations")
                if notations is None:
                    notations = add(written, "notations")
                notations.extend(extra[written.get("id", "")])
    return measures


def sequence(measure: etree._Element) -> Iterator[tuple[Fraction, etree._Element]]:
    """Yield (quarter notes from the bar line, note) of the first voice, chord heads left out."""
    at = Fraction(0)
    for child in measure:
        if child.tag == "backup":
            return
        if child.tag == "note" and child.find("chord") is None:
            yield at, child
        if child.tag in ("note", "forward") and child.find("chord") is None:
            at += Fraction(int(child.findtext("duration", "0")), DIVISIONS)

"""One stave as measures of MusicXML: notes, rests, ties, tuplets, beams, clefs, keys and meters.

music21 writes the notes; what it cannot place (clefs and directions inside a bar) is put in by
`retro.notate.musicxml`.
"""

from collections import defaultdict
from collections.abc import Collection, Container, Iterable, Iterator, Sequence
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
    note,
    pitch,
    spanner,
    stream,
    tie,
)
from music21.common.numberTools import opFrac
from music21.musicxml.m21ToXml import MeasureExporter

from retro.model.phrase import Key
from retro.model.time import Bar
from retro.notate.accidentals import Accidental, Chord, printed_accidentals
from retro.notate.elements import DIVISIONS, add, rest_measure
from retro.notate.rhythm import VALUES, Piece, spell_voice
from retro.notate.score import Articulation, Spelled, Stave, Voice

ALTERS = {-2: "double-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}

ON_FIRST = {
    Articulation.STACCATO: articulations.Staccato,
    Articulation.TENUTO: articulations.Tenuto,
    Articulation.ACCENT: articulations.Accent,
}
TREMOLO_STROKES = 3
"""Three strokes: unmeasured (common practice)."""

_Written = dict[int, list[Any]]
"""The strokes of one voice, each as the tied notes that music21 writes."""


@dataclass(frozen=True, slots=True)
class _Head:
    """A piece of a stroke in its place."""

    bar: int
    at: Fraction
    voice: int
    piece: Piece


class _Heads(chord.Chord):  # type: ignore[misc]  # music21 comes without types
    """A chord that is sorted where it stands; the exporter would copy it, deeply, to sort it."""

    def sortDiatonicAscending(self, **_: bool) -> "_Heads":  # noqa: N802  music21's own name
        """Sort the heads from the lowest up."""
        super().sortDiatonicAscending(inPlace=True)
        return self


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
    written: list[_Written] = [{} for _ in stave.voices]
    measures: dict[int, stream.Measure] = {}
    for index, bar in enumerate(bars):
        sounding = [v for v, pieces in enumerate(spelled) if _sounds(pieces[index])]
        if not sounding and bar.is_full:
            continue
        measures[index] = measure = stream.Measure(number=index)
        for number in sounding or [0]:
            voice, pieces = stave.voices[number], spelled[number][index]
            shown = [printed.get((number, index, piece.start)) for piece in pieces]
            notes = [_note(voice, *piece) for piece in zip(pieces, shown, strict=True)]
            _take_brackets(notes, pieces)
            if len(sounding) > 1:
                _keep_apart(notes, pieces, [spelled[v][index] for v in sounding if v < number])
                _put(_new_voice(measure, number), notes, pieces)
            else:
                _put(measure, notes, pieces)
            _keep(written[number], voice, notes, pieces)
    lines = [line for own in zip(stave.voices, written, strict=True) for line in _lines(*own)]
    ringing = {head for own in zip(stave.voices, written, strict=True) for head in _mark(*own)}
    exported = dict(zip(measures, _exported(measures.values(), lines), strict=True))
    _let_ring(exported.values(), ringing)
    return [
        exported[index] if index in exported else rest_measure(bar)
        for index, bar in enumerate(bars)
    ]


def _new_voice(measure: stream.Measure, number: int) -> stream.Voice:
    voice = stream.Voice(id=number + 1)
    measure.insert(0, voice)
    return voice


def _put(container: stream.Stream, notes: Sequence[Any], pieces: Sequence[Piece]) -> None:
    """Put notes in their places, all at once: the stream sorts itself for every single one."""
    for written, piece in zip(notes, pieces, strict=True):
        container.coreInsert(opFrac(piece.start), written)
    container.coreElementsChanged()


def _keep(strokes: _Written, voice: Voice, notes: Sequence[Any], pieces: Sequence[Piece]) -> None:
    """Keep the pieces of every stroke, for what is drawn on it, and name their heads."""
    for written, piece in zip(notes, pieces, strict=True):
        if piece.stroke is not None:
            tied = strokes.setdefault(piece.stroke, [])
            tied.append(written)
            _name(written, voice.strokes[piece.stroke].notes, len(tied))


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
    written = note.Note(pitches[0]) if len(pitches) == 1 else _Heads(pitches)
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


def _mark(voice: Voice, strokes: _Written) -> set[str]:
    """Put the marks on the pieces of their strokes; give the names of heads that are let ring."""
    ringing: set[str] = set()
    by_place = {stroke.on_beats: index for index, stroke in enumerate(voice.strokes)}
    for mark in voice.marks:
        pieces = strokes[by_place[mark.at_beats]]
        if mark.kind in ON_FIRST:
            pieces[0].articulations.append(ON_FIRST[mark.kind]())
        elif mark.kind is Articulation.TRILL:
            pieces[0].expressions.append(expressions.Trill())
        elif mark.kind is Articulation.TREMOLO:
            for piece in pieces:
                tremolo = expressions.Tremolo()
                tremolo.numberOfMarks = TREMOLO_STROKES
                piece.expressions.append(tremolo)
        elif mark.kind is Articulation.LET_RING:
            ringing.update(head.id for head in getattr(pieces[-1], "notes", (pieces[-1],)))
        else:
            way = "up" if mark.kind is Articulation.ARPEGGIO_UP else "down"
            pieces[0].expressions.append(expressions.ArpeggioMark(way))
    return ringing


def _lines(voice: Voice, strokes: _Written) -> Iterator[spanner.Spanner]:
    by_place = {stroke.on_beats: index for index, stroke in enumerate(voice.strokes)}
    for line in voice.lines:
        first, last = strokes[by_place[line.start_beats]], strokes[by_place[line.end_beats]]
        if line.kind == "slur":
            yield spanner.Slur(first[0], last[-1])
        else:
            yield spanner.Glissando(first[-1], last[0])


def _exported(
    measures: Collection[stream.Measure], lines: Sequence[spanner.Spanner]
) -> list[etree._Element]:
    """Let music21 write measures, each with the lines that begin or end in it."""
    spanner.SpannerBundle(list(lines)).setIdLocals()
    by_bar: dict[int, list[spanner.Spanner]] = defaultdict(list)
    for line in lines:
        for number in {end.measureNumber for end in (line.getFirst(), line.getLast())}:
            by_bar[number].append(line)
    part = PlainTree.Element("part")
    for measure in measures:
        exporter = MeasureExporter(measure)
        exporter.spannerBundle = spanner.SpannerBundle(by_bar[measure.number])
        exporter.mainElementsParse()
        part.append(exporter.xmlRoot)
    return list(etree.fromstring(PlainTree.tostring(part, encoding="unicode")))


def _let_ring(measures: Iterable[etree._Element], names: Container[str]) -> None:
    """Give heads the tie that leads nowhere; music21 has none for a head that is tied to."""
    for head in (head for measure in measures for head in measure.iterchildren("note")):
        if head.get("id") in names:
            notations = head.find("notations")
            if notations is None:
                notations = add(head, "notations")
            add(notations, "tied", type="let-ring")


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

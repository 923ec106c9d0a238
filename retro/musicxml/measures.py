"""One stave as measures of MusicXML: notes, rests, ties, tuplets, beams, clefs, keys and meters.

music21 writes the notes; what it cannot place (clefs and directions inside a bar) is put in by
`retro.musicxml.document`.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any
from xml.etree import ElementTree as PlainTree

from lxml import etree
from music21 import (
    beam,
    chord,
    duration,
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
from retro.musicxml.elements import add, rest_measure
from retro.musicxml.marks import Extra, Written, lines_on, put_marks
from retro.notation.accidentals import ALTERS, Accidental, Chord, key_at, printed_accidentals
from retro.notation.rhythm import VALUES, Piece, spell_voice
from retro.notation.score import Spelled, Stave, Voice


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
        One ``measure`` per bar.
    """
    spelled = [spell_voice(_spans(voice), bars) for voice in stave.voices]
    printed = _printed(stave, _heads(spelled, bars), keys)
    written: list[Written] = [{} for _ in stave.voices]
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
    lines = [line for own in zip(stave.voices, written, strict=True) for line in lines_on(*own)]
    extra = put_marks(stave, written, keys, bars)
    exported = dict(zip(measures, _exported(measures.values(), lines), strict=True))
    _add_extra(exported.values(), extra)
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


def _keep(strokes: Written, voice: Voice, notes: Sequence[Any], pieces: Sequence[Piece]) -> None:
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


def _add_extra(measures: Iterable[etree._Element], extra: Extra) -> None:
    """Give heads the notations that music21 has not."""
    for head in (head for measure in measures for head in measure.iterchildren("note")):
        if head.get("id") in extra:
            notations = head.find("notations")
            if notations is None:
                notations = add(head, "notations")
            notations.extend(extra[head.get("id", "")])


def sequence(measure: etree._Element) -> Iterator[tuple[int, etree._Element]]:
    """Yield (place in `DIVISIONS`, note) of the first voice, chord heads left out."""
    at = 0
    for child in measure:
        if child.tag == "backup":
            return
        if child.tag == "note" and child.find("chord") is None:
            yield at, child
        if child.tag in ("note", "forward") and child.find("chord") is None:
            at += int(child.findtext("duration", "0"))

"""One stave as measures of MusicXML: notes, rests, ties, tuplets, beams.

Clefs and directions inside a bar, keys and meters are put in by `retro.musicxml.document`.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

from lxml import etree

from retro.errors import LimitError
from retro.model.instruments import Instrument
from retro.model.note_values import VALUES
from retro.model.phrase import Key
from retro.model.time import Bar
from retro.musicxml.elements import add, element, rest_measure, set_voice, units
from retro.musicxml.marks import LineNumbers, WrittenPiece, draw_marks
from retro.musicxml.notes import chord_heads, grace_heads, rest
from retro.notation.accidentals import Accidental, PlacedChord, key_at, printed_accidentals
from retro.notation.beams import Piece
from retro.notation.rhythm import spell_voice
from retro.notation.score import Chord, Grace, Stave, Voice

MOMENT = Fraction(1, 1_000_000)
"""What small notes are apart, to be told apart by their places."""

Spelling = Sequence[Sequence[Sequence[Piece]]]
"""The pieces of the voices of a stave, by voice and bar."""

Printed = dict[tuple[int, int, Fraction], tuple[Accidental, ...]]
"""How accidentals are printed, by voice, bar and place in the bar."""


def stave_measures(
    stave: Stave,
    keys: Sequence[tuple[Fraction, Key]],
    bars: Sequence[Bar],
    numbers: LineNumbers,
    *,
    unpitched: Instrument | None = None,
    one_plays: bool = False,
) -> list[etree._Element]:
    """Return the bars of one stave as ``measure`` elements, without attributes and directions.

    Bars go on without gaps from 0, as written keys do; the numbers of slurs and slides are those of
    the whole part. Heads stand for strokes of the instrument `unpitched`. Where two hands of one
    player share the stave (`one_plays`), no rests are needed where one of them leaves the other
    alone.
    """
    spelled = [
        spell_voice([(chord.on_beats, chord.off_beats) for chord in voice.chords], bars)
        for voice in stave.voices
    ]
    for voice_pieces in spelled:
        for number, pieces_of_bar in enumerate(voice_pieces, start=1):
            _refuse_unwritable(pieces_of_bar, number)
    printed = _printed(stave, spelled, keys, bars)
    written: list[list[WrittenPiece]] = [[] for _ in stave.voices]
    tied = [[0] * len(voice.chords) for voice in stave.voices]
    measures = []
    for index, bar in enumerate(bars):
        sounding = [v for v, pieces in enumerate(spelled) if _sounds(pieces[index])]
        if not sounding and bar.is_full:
            measures.append(rest_measure(bar))
            continue
        measure = element("measure")
        for voice in sounding or [0]:
            above = [spelled[v][index] for v in sounding if v < voice]
            stem = "" if len(sounding) <= 1 else "down" if above else "up"
            pieces = []
            for piece in spelled[voice][index]:
                if piece.chord is None:
                    is_third = len(above) > 1 and not _counts(spelled[voice][index], piece)
                    is_printed = not is_third and not any(_is_silent(v, piece) for v in above)
                    is_left = one_plays and _is_left(spelled, index, voice, piece)
                    heads = [rest(piece, is_printed=is_printed and not is_left)]
                else:
                    tied[voice][piece.chord] += 1
                    heads = chord_heads(
                        stave.voices[voice].chords[piece.chord],
                        piece,
                        printed[voice, index, piece.start],
                        place=tied[voice][piece.chord],
                        stem=stem,
                        unpitched=unpitched,
                    )
                has_bracket = not _is_beamed_together(spelled[voice][index], piece)
                small, signs = _graces(stave.voices[voice], piece, printed, (voice, index))
                graces = tuple(grace_heads(small, signs, unpitched=unpitched))
                pieces.append(WrittenPiece(piece, heads, has_bracket, stem, graces))
            _add_voice(measure, pieces, voice if len(sounding) > 1 else None, is_first=not above)
            written[voice].extend(pieces)
        measures.append(measure)
    draw_marks(stave, written, keys, bars, numbers)
    return measures


def _refuse_unwritable(pieces: Sequence[Piece], number: int) -> None:
    """Refuse a bar, by its number in the insert, that needs a value shorter than any."""
    values = {
        piece.tuplet.unit_beats if piece.tuplet else piece.value_beats
        for piece in pieces
        if not piece.is_bar_rest
    }
    shortest = min(VALUES)
    if any(value < shortest for value in values):
        raise LimitError(
            f"bar {number} of the insert cannot be written: it needs a note value below a "
            f"{VALUES[shortest]}",
            advice="put the meters of the song on bar lines, or choose other bars",
        )


def _add_voice(
    measure: etree._Element, pieces: Sequence[WrittenPiece], number: int | None, *, is_first: bool
) -> None:
    """Add the notes of a voice to a measure; `number` counts from 0, None where it is alone."""
    if not is_first:
        length = sum((written.piece.length_beats for written in pieces), Fraction(0))
        add(add(measure, "backup"), "duration", units(length))
    for note in (note for written in pieces for note in (*written.heads, *written.graces)):
        if number is not None:
            set_voice(note, number + 1)
        measure.append(note)


def _graces(
    voice: Voice, piece: Piece, printed: Printed, place: tuple[int, int]
) -> tuple[Sequence[Grace], Sequence[Accidental]]:
    """Return the small notes behind the last piece of a chord, and how their accidentals print.

    `place` is the piece's voice and bar.
    """
    if piece.chord is None or piece.tied_to:
        return (), ()
    graces = voice.chords[piece.chord].graces
    return graces, [printed[*place, at][0] for at in _grace_places(piece, len(graces))]


def _grace_places(piece: Piece, count: int) -> list[Fraction]:
    """Return places in the bar that stand for those of small notes: just before the piece ends."""
    return [piece.end - (count - k) * MOMENT for k in range(count)]


def _is_silent(voice: Sequence[Piece], over: Piece) -> bool:
    return not any(
        piece.chord is not None and piece.start < over.end and piece.end > over.start
        for piece in voice
    )


def _is_left(spelled: Spelling, bar: int, voice: int, over: Piece) -> bool:
    """Whether a rest ends its voice's bar, and no tuplet, while another voice sounds on."""
    own = [piece for piece in spelled[voice][bar] if piece.chord is not None]
    if _counts(own, over) or any(piece.start > over.start for piece in own):
        return False
    others = (pieces[bar] for number, pieces in enumerate(spelled) if number != voice)
    return any(_sounds_through(pieces, over) for pieces in others)


def _counts(voice: Sequence[Piece], rest: Piece) -> bool:
    """Whether a rest belongs to a tuplet with notes, which cannot be counted without it."""
    return rest.tuplet is not None and any(
        piece.chord is not None and piece.tuplet == rest.tuplet for piece in voice
    )


def _sounds_through(voice: Sequence[Piece], over: Piece) -> bool:
    under = [piece for piece in voice if piece.start < over.end and piece.end > over.start]
    return bool(under) and all(piece.chord is not None for piece in under)


def _sounds(pieces: Sequence[Piece]) -> bool:
    return any(piece.chord is not None for piece in pieces)


def _printed(
    stave: Stave, spelled: Spelling, keys: Sequence[tuple[Fraction, Key]], bars: Sequence[Bar]
) -> Printed:
    """Return how the accidentals of a stave are printed, its voices read as one."""
    placed = sorted(_placed(stave, spelled, bars), key=lambda chord: chord[:2])
    chords = [
        PlacedChord(bar=bar, key=key_at(keys, at), heads=chord.spelled, tied_from=piece.tied_from)
        for at, _, bar, piece, chord in placed
    ]
    return {
        (voice, bar, piece.start): accidentals
        for (_, voice, bar, piece, _), accidentals in zip(
            placed, printed_accidentals(chords), strict=True
        )
    }


def _placed(
    stave: Stave, spelled: Spelling, bars: Sequence[Bar]
) -> Iterator[tuple[Fraction, int, int, Piece, Chord]]:
    """Yield (position, voice, bar, piece, chord) of all that sounds."""
    for number, (voice, bars_of) in enumerate(zip(stave.voices, spelled, strict=True)):
        for bar, pieces in enumerate(bars_of):
            for piece in pieces:
                if piece.chord is None:
                    continue
                chord = voice.chords[piece.chord]
                yield bars[bar].start_beats + piece.start, number, bar, piece, chord
                graces = () if piece.tied_to else chord.graces
                places = _grace_places(piece, len(graces))
                for at, grace in zip(places, graces, strict=True):
                    small = replace(chord, spelled=(grace.spelled,), graces=())
                    alone = replace(piece, start=at, tied_from=False)
                    yield bars[bar].start_beats + at, number, bar, alone, small


def _is_beamed_together(pieces: Sequence[Piece], piece: Piece) -> bool:
    """Whether one beam holds the tuplet of a piece, which then needs no bracket."""
    beams = [other.beams[:1] for other in pieces if other.tuplet == piece.tuplet]
    return beams == [("start",), *[("continue",)] * (len(beams) - 2), ("stop",)]


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

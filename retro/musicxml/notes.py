"""One chord or rest as elements of MusicXML, from the head to the beams.

Conventions
-----------
What is drawn on a head (`notations`) is put there by `retro.musicxml.marks`.
"""

from collections.abc import Iterator, Sequence

from lxml import etree

from retro.model.instruments import Instrument
from retro.model.note_values import VALUES
from retro.model.spelling import STEPS
from retro.musicxml.elements import add, element, hide, instrument_id, units
from retro.notation.accidentals import ALTERS, Accidental
from retro.notation.beams import Piece
from retro.notation.score import Chord, Grace, Spelled
from retro.notation.tuplets import Tuplet
from retro.notation.unpitched import stroke_of

SIGNS = {**ALTERS, -2: "flat-flat"}
"""Accidentals as MusicXML prints them, by semitones."""

BEAMS = {
    "start": "begin",
    "continue": "continue",
    "stop": "end",
    "forward": "forward hook",
    "backward": "backward hook",
}

GRACE_VALUE, SEVERAL_GRACES_VALUE = "eighth", "16th"
"""Values of a small note alone, and of several (common practice)."""


def rest(piece: Piece, *, is_printed: bool = True) -> etree._Element:
    """Return a rest."""
    made = element("note")
    if not is_printed:
        hide(made)
    add(made, "rest")
    _add_value(made, piece)
    _add_tuplet_ratio(made, piece.tuplet)
    return made


def chord_heads(
    chord: Chord,
    piece: Piece,
    printed: Sequence[Accidental],
    *,
    place: int,
    stem: str = "",
    unpitched: Instrument | None = None,
) -> list[etree._Element]:
    """Return the heads of a piece of a chord, the lowest first.

    `place` is that of the piece among the tied ones of its chord, from 1: heads are named after
    their note of the performance, "n12", and "n12-2" after a tie. `stem` is empty where the reader
    may choose; heads stand for strokes of the instrument `unpitched`.
    """
    heads = sorted(
        zip(chord.spelled, chord.notes, printed, chord.pitches, strict=True),
        key=lambda head: _height(head[0]),
    )
    made: list[etree._Element] = []
    for spelled, note, shown, key in heads:
        head = element("note", id=f"n{note}" if place == 1 else f"n{note}-{place}")
        if made:
            add(head, "chord")
        head.append(_unpitched(spelled) if unpitched else _pitch(spelled, shown))
        _add_value(head, piece, key if unpitched else None)
        if shown is not Accidental.HIDDEN:
            sign = add(head, "accidental", SIGNS[spelled.alter])
            if shown is Accidental.COURTESY:
                sign.set("parentheses", "yes")
        _add_tuplet_ratio(head, piece.tuplet)
        if stem and not made:
            add(head, "stem", stem)
        shape = stroke_of(unpitched, key).head if unpitched else ""
        if shape:
            add(head, "notehead", shape)
        if not made:
            for number, kind in enumerate(piece.beams, start=1):
                add(head, "beam", BEAMS[kind], number=str(number))
        made.append(head)
    return made


def grace_heads(
    graces: Sequence[Grace], printed: Sequence[Accidental], *, unpitched: Instrument | None = None
) -> list[etree._Element]:
    """Return small notes that follow a chord, beamed where there are several."""
    made = []
    for place, (grace, shown) in enumerate(zip(graces, printed, strict=True)):
        head = element("note", id=f"n{grace.note}")
        add(head, "grace")
        head.append(_unpitched(grace.spelled) if unpitched else _pitch(grace.spelled, shown))
        if unpitched:
            add(head, "instrument", id=instrument_id("", grace.pitch))
        add(head, "type", GRACE_VALUE if len(graces) == 1 else SEVERAL_GRACES_VALUE)
        if shown is not Accidental.HIDDEN:
            add(head, "accidental", SIGNS[grace.spelled.alter])
        shape = stroke_of(unpitched, grace.pitch).head if unpitched else ""
        if shape:
            add(head, "notehead", shape)
        if len(graces) > 1:
            kind = "begin" if place == 0 else "end" if place == len(graces) - 1 else "continue"
            for number in (1, 2):
                add(head, "beam", kind, number=str(number))
        made.append(head)
    return made


def _height(name: Spelled) -> tuple[int, int, int]:
    return name.octave, STEPS.index(name.step), name.alter


def _pitch(name: Spelled, shown: Accidental) -> etree._Element:
    made = element("pitch")
    add(made, "step", name.step)
    if name.alter or shown is not Accidental.HIDDEN:
        add(made, "alter", name.alter)
    add(made, "octave", name.octave)
    return made


def _unpitched(place: Spelled) -> etree._Element:
    made = element("unpitched")
    add(made, "display-step", place.step)
    add(made, "display-octave", place.octave)
    return made


def _add_value(note: etree._Element, piece: Piece, key: int | None = None) -> None:
    """Add duration, ties, the instrument of a key of a percussion part, and note value."""
    add(note, "duration", units(piece.length_beats))
    for kind in ties(piece):
        add(note, "tie", type=kind)
    if key is not None:
        add(note, "instrument", id=instrument_id("", key))
    add(note, "type", VALUES[piece.value_beats])
    for _ in range(piece.dots):
        add(note, "dot")


def ties(piece: Piece) -> Iterator[str]:
    """Yield the ends of ties at a piece."""
    if piece.tied_from:
        yield "stop"
    if piece.tied_to:
        yield "start"


def _add_tuplet_ratio(note: etree._Element, figure: Tuplet | None) -> None:
    if figure is not None:
        ratio = add(note, "time-modification")
        add(ratio, "actual-notes", figure.actual)
        add(ratio, "normal-notes", figure.normal)
        add(ratio, "normal-type", VALUES[figure.unit_beats])


def tuplet_ends(piece: Piece, *, has_bracket: bool, placement: str) -> Iterator[etree._Element]:
    """Yield the ends of the tuplet that begins or ends with a piece, for its notations.

    `placement` is where its number stands, "above" or "below"; empty where the reader may choose.
    """
    figure = piece.tuplet
    if figure is None:
        return
    if piece.opens_tuplet:
        bracket = "yes" if has_bracket else "no"
        start = element("tuplet", type="start", number="1", bracket=bracket)
        if placement:
            start.set("placement", placement)
        for tag, count in (("tuplet-actual", figure.actual), ("tuplet-normal", figure.normal)):
            side = add(start, tag)
            add(side, "tuplet-number", count)
            add(side, "tuplet-type", VALUES[figure.unit_beats])
        yield start
    if piece.closes_tuplet:
        yield element("tuplet", type="stop", number="1")

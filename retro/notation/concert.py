"""The score at sounding pitch, "in C": who transposes is written as it sounds.

Who transposes by octaves alone stays so, as in every score (piccolo, glockenspiel, double bass);
and so does an instrument that sounds two octaves and more below what it reads, by one of them
(contrabass clarinet): common practice.
"""

from collections.abc import Sequence
from dataclasses import replace

from retro.model.instruments import Clef, Instrument, Transposition
from retro.model.performance import Performance
from retro.model.phrase import Part
from retro.model.signs import SignKind
from retro.notation.lines import write_parts
from retro.notation.score import WrittenPart

LOW_SEMITONES = -12
"""From here on down an instrument that reads the treble clef sounds in the bass clef, too."""


def concert_parts(
    performance: Performance, parts: Sequence[WrittenPart]
) -> tuple[WrittenPart, ...]:
    """Return the parts of a performance, as their players read them, as a score in C has them."""
    players = tuple(
        replace(player, instrument=at_concert_pitch(player.instrument))
        for player in performance.players
    )
    parts_of_insert = tuple(
        _without_clefs(part) if player.instrument.transposition.chromatic else part
        for part, player in zip(performance.insert.parts, performance.players, strict=True)
    )
    insert = replace(performance.insert, parts=parts_of_insert)
    sounding = write_parts(replace(performance, players=players, insert=insert))
    return tuple(
        replace(each, name=part.name, abbreviation=part.abbreviation)
        for each, part in zip(sounding, parts, strict=True)
    )


def _without_clefs(part: Part) -> Part:
    """Return a part without the composer's clefs, which are those of written pitches."""
    kept = part.signs and tuple(sign for sign in part.signs if sign.kind is not SignKind.CLEF)
    return replace(part, signs=kept)


def at_concert_pitch(instrument: Instrument) -> Instrument:
    """Return an instrument as a score in C writes it."""
    shift = instrument.transposition
    if not shift.chromatic:
        return instrument
    is_low = shift.semitones <= LOW_SEMITONES and Clef.BASS not in instrument.clefs
    return replace(
        instrument,
        transposition=Transposition(octaves=min(shift.octaves + 1, 0)),
        clefs=(*instrument.clefs, Clef.BASS) if is_low else instrument.clefs,
    )

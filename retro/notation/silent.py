"""The parts of players who have nothing to play: one line that says so (common practice).

A player without a sheet on the stand asks for it; a tacet sheet answers.
"""

from collections.abc import Iterable
from fractions import Fraction

from retro.model.instruments import Player
from retro.model.phrase import Phrase
from retro.notation.names import page_name, short_name
from retro.notation.score import Direction, Stave, Voice, WrittenPart
from retro.notation.spelling import written_keys

TACET = "tacet: nothing to play in this insert; stay silent until the tail is gone"


def tacet_parts(players: Iterable[Player], insert: Phrase) -> tuple[WrittenPart, ...]:
    """Return a part without notes for each player, in score order."""
    parts = (_tacet(player, insert) for player in players)
    return tuple(sorted(parts, key=lambda part: part.instrument.score_order))


def _tacet(player: Player, insert: Phrase) -> WrittenPart:
    instrument = player.instrument
    clefs = ((Fraction(0), instrument.clefs[0]),)
    return WrittenPart(
        name=page_name(player.name, instrument),
        abbreviation=short_name(player.name, instrument),
        instrument=instrument,
        part=-1,
        keys=written_keys(insert.keys, instrument),
        staves=(Stave(voices=(Voice(chords=()),), clefs=clefs),),
        directions=(Direction(at_beats=Fraction(0), text=TACET, is_general=True),),
    )

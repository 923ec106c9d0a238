"""Joins the two staves of a harp or a keyboard where a file has a track for each.

Programs that write notes export a track for each staff, both of one name and on one channel; people
who play a file in name them by the hand. Either way it is one player, who reads two staves.
"""

import re
from collections.abc import Sequence
from dataclasses import replace

from retro.model.instruments import Family
from retro.model.phrase import SUSTAIN_PEDAL, Part
from retro.model.time import Steps
from retro.read.guess import guess_player
from retro.read.trackname import plain

_HANDS = {
    "right": "right hand|right|r\\.?h|rechte hand|rechts|(?:mano )?destra|main droite|"
    "(?:mano )?derecha|m\\.?d",
    "left": "left hand|left|l\\.?h|linke hand|links|(?:mano )?sinistra|main gauche|"
    "(?:mano )?izquierda|m\\.?[gsi]",
}
_HAND = re.compile(
    "[\\s\\-–_,/(\\[]+(?:(?P<right>" + _HANDS["right"] + ")|(?P<left>" + _HANDS["left"] + "))"
    "\\.?[\\s)\\]]*$",
    re.IGNORECASE,
)


def without_hand(name: str) -> tuple[str, str]:
    """Return a track's name without the hand that it ends with, and the hand: right, left, none."""
    match = _HAND.search(name)
    return (name, "") if match is None else (name[: match.start()], match.lastgroup or "")


def joined_hands(
    parts: Sequence[Part], ports: Sequence[int | None]
) -> tuple[tuple[Part, ...], tuple[str, ...]]:
    """Return parts of which no two are the hands of one player, and the names of the joined ones.

    Parts are in file order, in which the hands of a player follow one another; `ports` has the port
    of each.
    """
    kept: list[Part] = []
    names = []
    last_port: int | None = None
    for part, port in zip(parts, ports, strict=True):
        both = _joined(kept[-1], part, is_one_port=port == last_port) if kept else None
        if both is None:
            kept.append(part)
        else:
            kept[-1] = both
            names.append(both.name)
        last_port = port
    return tuple(kept), tuple(names)


def _joined(one: Part, other: Part, *, is_one_port: bool) -> Part | None:
    """Return the part of two hands; None where they are not those of one player."""
    (name, hand), (other_name, other_hand) = without_hand(one.name), without_hand(other.name)
    is_one_channel = is_one_port and one.channel == other.channel
    are_hands = {hand, other_hand} == {"right", "left"} or (
        not hand + other_hand and is_one_channel
    )
    if not name or plain(name) != plain(other_name) or not are_hands:
        return None
    programs = {part.program for part in (one, other)} - {None}
    program = next(iter(programs), None)
    both = replace(one, name=name, program=program, notes=tuple(sorted(one.notes + other.notes)))
    instrument = guess_player(both)[0].instrument
    has_two_staves = instrument.staves == 2 and instrument.family in (
        Family.KEYBOARD,
        Family.PLUCKED,
    )
    curves = _curves(one, other)
    if len(programs) > 1 or not has_two_staves or curves is None:
        return None
    return replace(both, controllers=curves, bend=one.bend or other.bend)


def _curves(one: Part, other: Part) -> tuple[tuple[int, Steps[int]], ...] | None:
    """Return the controllers of two hands; None where they contradict each other."""
    if one.bend is not None and other.bend is not None and one.bend != other.bend:
        return None
    own, others = dict(one.controllers), dict(other.controllers)
    differing = {number for number in own.keys() & others.keys() if own[number] != others[number]}
    if differing - {SUSTAIN_PEDAL}:
        return None
    return tuple(sorted({**others, **own}.items()))

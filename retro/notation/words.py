"""Words for players: playing advice and divisi."""

from collections import Counter
from collections.abc import Sequence
from fractions import Fraction

from retro.model.instruments import Player, Sound
from retro.notation.score import Direction, Stroke

SUSTAINED_ADVICE = (
    "hold full value, release together on the click; let the room ring, "
    "silence until the tail is gone"
)
STRUCK_ADVICE = "strike together on the click; let the room ring, silence until the tail is gone"


def advice(player: Player) -> Direction:
    """Give the line of playing advice at the top of a part."""
    sustained = player.instrument.sound is Sound.SUSTAINED
    text = SUSTAINED_ADVICE if sustained else STRUCK_ADVICE
    return Direction(at_beats=Fraction(0), text=text, is_general=True)


def divisi(player: Player, strokes: Sequence[Stroke]) -> tuple[Direction, ...]:
    """Give "div." where a section's notes part and "unis." where they meet again.

    Parameters
    ----------
    strokes
        All strokes of the section on one stave, in order of their beginnings.
    """
    if not player.instrument.section or player.instrument.staves > 1:
        return ()
    words: list[Direction] = []
    now = 1
    for on, depth in _depths(strokes):
        if depth == now:
            continue
        text = "unis." if depth == 1 else "div." if depth == 2 else f"div. in {depth}"
        words.append(Direction(at_beats=on, text=text))
        now = depth
    return tuple(words)


def _depths(strokes: Sequence[Stroke]) -> list[tuple[Fraction, int]]:
    """How many notes sound at once from each beginning on."""
    changes: Counter[Fraction] = Counter()
    for stroke in strokes:
        changes[stroke.on_beats] += len(stroke.pitches)
        changes[stroke.off_beats] -= len(stroke.pitches)
    beginnings = {stroke.on_beats for stroke in strokes}
    depths, sounding = [], 0
    for at in sorted(changes):
        sounding += changes[at]
        if at in beginnings:
            depths.append((at, sounding))
    return depths

"""Words for players: playing advice and divisi."""

from collections import Counter
from collections.abc import Sequence
from fractions import Fraction

from retro.model.instruments import Player, Sound
from retro.notation.score import Chord, Direction

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


def divisi(player: Player, chords: Sequence[Chord]) -> tuple[Direction, ...]:
    """Give "div." where a section's notes part and "unis." where they meet again.

    Parameters
    ----------
    chords
        All chords of the section on one stave, in order of their beginnings.
    """
    if not player.instrument.section or player.instrument.staves > 1:
        return ()
    words: list[Direction] = []
    now = 1
    for on, depth in _depths(chords):
        if depth == now:
            continue
        text = "unis." if depth == 1 else "div." if depth == 2 else f"div. in {depth}"
        words.append(Direction(at_beats=on, text=text))
        now = depth
    return tuple(words)


def _depths(chords: Sequence[Chord]) -> list[tuple[Fraction, int]]:
    """How many notes sound at once from each beginning on."""
    changes: Counter[Fraction] = Counter()
    for chord in chords:
        changes[chord.on_beats] += len(chord.pitches)
        changes[chord.off_beats] -= len(chord.pitches)
    beginnings = {chord.on_beats for chord in chords}
    depths, sounding = [], 0
    for at in sorted(changes):
        sounding += changes[at]
        if at in beginnings:
            depths.append((at, sounding))
    return depths

"""Words for players: playing advice, divisi, ritardando and accelerando."""

from collections.abc import Sequence
from fractions import Fraction

from retro.model.instruments import Player, Sound
from retro.model.time import TempoMap
from retro.notate.score import Direction, Stroke

SUSTAINED_ADVICE = (
    "hold full value, release together on the click; let the room ring, "
    "silence until the tail is gone"
)
STRUCK_ADVICE = "strike together on the click; let the room ring, silence until the tail is gone"

LEAST_TEMPO_CHANGES = 3
"""Tempo changes in one direction that make a gradual one (our own estimate)."""

LONGEST_STEP_BEATS = Fraction(2)
"""Tempo changes further apart are steps of their own (our own estimate)."""


def advice(player: Player) -> Direction:
    """Give the line of playing advice at the top of a part."""
    sustained = player.instrument.sound is Sound.SUSTAINED
    return Direction(at_beats=Fraction(0), text=SUSTAINED_ADVICE if sustained else STRUCK_ADVICE)


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
    depths = []
    for on in sorted({stroke.on_beats for stroke in strokes}):
        sounding = [s for s in strokes if s.on_beats <= on < s.off_beats]
        depths.append((on, sum(len(stroke.pitches) for stroke in sounding)))
    return depths


def gradual_tempos(tempo: TempoMap) -> tuple[Direction, ...]:
    """Give "rit." and "accel." where the tempo changes step by step in one direction."""
    spans = list(tempo.us_per_quarter.spans())
    words: list[Direction] = []
    first = 0
    for i in range(1, len(spans) + 1):
        if i < len(spans) and _goes_on(spans, first, i):
            continue
        if i - 1 - first >= LEAST_TEMPO_CHANGES:
            slower = spans[i - 1][2] > spans[first][2]
            start, end, _ = spans[first]
            begin = end if end - start > LONGEST_STEP_BEATS else start
            words.append(Direction(at_beats=begin, text="rit." if slower else "accel."))
        first = i - 1
    return tuple(words)


def _goes_on(spans: Sequence[tuple[Fraction, Fraction, int]], first: int, i: int) -> bool:
    """Whether change `i` continues the direction that began at `first`."""
    if i == first + 1:
        return True
    near = spans[i - 1][1] - spans[i - 1][0] <= LONGEST_STEP_BEATS
    return near and (spans[i][2] > spans[i - 1][2]) is (spans[first + 1][2] > spans[first][2])

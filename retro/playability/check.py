"""Whether the insert can be played, and what the flipped sound brings along.

Every judgement is a pure function of the performance. Of one kind a player gets a few lines at
most; what is beyond is counted.
"""

from collections.abc import Iterator

from retro.model.performance import Finding, Performance, Window
from retro.model.phrase import Phrase
from retro.playability import chords as check_chords
from retro.playability import heard as check_sound
from retro.playability import players as check_players
from retro.playability.desk import desks
from retro.playability.judge import Judgement, report


def check(performance: Performance, window: Window, song: Phrase) -> tuple[Finding, ...]:
    """Return what is found about a performance: by part, then what concerns all.

    `window` and `song` say where it stands, for what is heard before it.
    """
    return tuple(report(_judgements(performance, window, song), performance.insert.bars))


def _judgements(performance: Performance, window: Window, song: Phrase) -> Iterator[Judgement]:
    everyone = desks(performance)
    for desk in everyone:
        yield from check_players.all_of(desk, everyone)
        yield from check_chords.all_of(desk)
    if performance.notes:
        yield from check_sound.all_of(performance, everyone, window, song)

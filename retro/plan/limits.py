"""How large a window may be: refused before the work that it would make.

The work of a build grows with its notes and with its seconds times its players times its rate. What
no insert comes near would take hours, or more memory than there is.
"""

from fractions import Fraction

from retro.errors import LimitError
from retro.model.phrase import Part, Phrase
from retro.units import seconds_to_samples

MAX_NOTES_A_BEAT = 256
"""Most notes of one part that begin within a quarter note; a sweep over all keys has 88."""

MAX_WINDOW_S = 1200
"""Longest window of a pack, in seconds."""

MAX_WINDOW_FRAMES = 120_000_000
"""Most seconds times frames a second: 41 minutes at 48 kHz, 5 at 384 kHz."""

MAX_PLAYER_FRAMES = 6_000_000_000
"""Most seconds times players times frames a second: 20 minutes of 104 players at 48 kHz."""


def refuse_crowded(phrase: Phrase, first_bar: int) -> None:
    """Refuse a phrase of which a part has more notes in a beat than anybody plays.

    Raises
    ------
    LimitError
        If one has; it names the part and the bar.
    """
    for part in phrase.parts:
        at = _crowded_beats(part)
        if at is not None:
            bar = sum(bar.start_beats <= at for bar in phrase.bars) + first_bar - 1
            raise LimitError(
                f"more than {MAX_NOTES_A_BEAT} notes begin within one quarter note",
                where=f"bar {bar}, {part.name or 'a part without a name'}",
                advice="leave some out",
            )


def refuse_too_much(length_s: float | Fraction, players: int, rate: int) -> None:
    """Refuse a window whose sound would be too long or too large.

    Raises
    ------
    LimitError
        If it would be.
    """
    if length_s > MAX_WINDOW_S:
        raise LimitError(
            f"the window lasts {float(length_s):.0f} s, more than {MAX_WINDOW_S}",
            advice="choose fewer bars",
        )
    frames = seconds_to_samples(length_s, rate)
    if frames > MAX_WINDOW_FRAMES:
        raise LimitError(
            f"{float(length_s):.0f} s at {rate} Hz are more than {MAX_WINDOW_FRAMES} frames",
            advice="choose fewer bars, or a lower rate",
        )
    if frames * players > MAX_PLAYER_FRAMES:
        raise LimitError(
            f"{float(length_s):.0f} s of {players} players at {rate} Hz are more than "
            f"{MAX_PLAYER_FRAMES} frames",
            advice="choose fewer bars or tracks, or a lower rate",
        )


def _crowded_beats(part: Part) -> Fraction | None:
    """Return where the first crowd of a part begins."""
    starts = sorted(note.on_beats for note in part.notes)
    for first, last in zip(starts, starts[MAX_NOTES_A_BEAT:], strict=False):
        if last - first < 1:
            return first
    return None

"""What to do about a note that its player cannot play: another octave, another player."""

from collections import Counter
from collections.abc import Iterable, Sequence
from fractions import Fraction

from retro.model.instruments import Family, Instrument
from retro.playability.desk import BLOWN, Desk, WrittenNote, read_as
from retro.units import pitch_name

COMFORT = 0.12
"""Share of a range at either end that is left alone when a note is given away (our own choice)."""

OCTAVE = 12

MAX_SWITCH_BEATS = Fraction(1, 2)
"""Notes below a range that tell a sampler how to play are rarely longer (from memory)."""

TUNED = ("timpani", "tubular-bells", "crotales")
"""Struck instruments that have the few notes they are tuned to, and take over no line
(common practice)."""

MAX_TOGETHER = 8
"""Notes that two hands, or a section of strings, take together."""


def octave_in_range(instrument: Instrument, pitch: int) -> int | None:
    """Return the nearest octave of a pitch that an instrument has, or None."""
    others = [pitch + OCTAVE * octaves for octaves in (-1, 1, -2, 2)]
    return next((p for p in others if instrument.low <= p <= instrument.high), None)


def taker(
    desks: Iterable[Desk], giver: Desk, reads: Sequence[WrittenNote], *, own_family: bool = False
) -> str | None:
    """Return the name of another player who has every one of some notes well and is free, or None.

    The own instrument comes first, then the own family (and nobody else if `own_family`), then who
    has the notes nearest to the middle of the range.
    """
    able = [
        (_distance(giver, desk, reads), desk.player.name)
        for desk in desks
        if desk is not giver
        and _may_take(giver.player.instrument, desk.player.instrument, own_family=own_family)
        and _most_together(reads) <= _most_at_once(desk)
        and all(
            _is_comfortable(desk.player.instrument, read.pitch)
            and _is_free(desk, read.on_beats, read.note.written_off_beats)
            for read in reads
        )
    ]
    return min(able)[1] if able else None


def _may_take(own: Instrument, other: Instrument, *, own_family: bool) -> bool:
    if other.family is Family.NEUTRAL or other.sound is not own.sound:
        return False
    if other.id != own.id and (other.id in TUNED or other.is_unpitched):
        return False
    return other.family is own.family or not own_family


def _most_together(reads: Sequence[WrittenNote]) -> int:
    return max(Counter(read.on_beats for read in reads).values())


def _most_at_once(desk: Desk) -> int:
    """Return how many notes a player, or the players of a desk, can begin together."""
    instrument = desk.player.instrument
    if instrument.family in BLOWN:
        return len(desk.player.numbers) or 1
    return MAX_TOGETHER if instrument.section or instrument.staves > 1 else 1


def _distance(giver: Desk, desk: Desk, reads: Sequence[WrittenNote]) -> tuple[bool, bool, float]:
    own, other = giver.player.instrument, desk.player.instrument
    middle = 0.5 * (other.low + other.high)
    farthest = max(abs(read.pitch - middle) for read in reads)
    return other.id != own.id, other.family is not own.family, farthest


def _is_comfortable(instrument: Instrument, pitch: int) -> bool:
    margin = COMFORT * (instrument.high - instrument.low)
    return instrument.low + margin <= pitch <= instrument.high - margin


def _is_free(desk: Desk, on: Fraction, off: Fraction) -> bool:
    return not any(
        other.on_beats < off and other.note.written_off_beats > on for other in desk.written_notes
    )


def instead(desks: Iterable[Desk], giver: Desk, reads: Sequence[WrittenNote]) -> str:
    """Return what to do about notes out of their player's range; it is true of every one."""
    ways = []
    it = "it" if len(reads) == 1 else "them"
    other = taker(desks, giver, reads)
    if other is not None:
        ways.append(f"give {it} to {other}, who is free and has {it}")
    octave = _octave(giver, reads)
    if octave:
        ways.append(f"take {it} {octave}")
    if all(_may_switch(giver, read) for read in reads):
        ways.append(
            f"delete {it} where {it.replace('them', 'they')} only switch"
            f"{'es' if len(reads) == 1 else ''} the sounds of a sampler"
        )
    return ", or ".join(ways) or f"choose another instrument for {it}"


def _may_switch(giver: Desk, read: WrittenNote) -> bool:
    """Whether a note may be one that tells a sampler how to play: short or far below the range."""
    low = giver.player.instrument.low
    is_short = read.note.target.length_beats <= MAX_SWITCH_BEATS
    return read.pitch < low and (is_short or read.pitch <= low - OCTAVE)


def _octave(giver: Desk, reads: Sequence[WrittenNote]) -> str:
    """Return the octave in which the player has every note, in words; empty if there is none."""
    instrument = giver.player.instrument
    octaves = {read.pitch: octave_in_range(instrument, read.pitch) for read in reads}
    moves = {None if to is None else to - pitch for pitch, to in octaves.items()}
    if None in moves:
        return ""
    if len(moves) > 1:
        return "to the nearest octave that the player has"
    (pitch, to), *more = octaves.items()
    octave = "an octave" if abs((to or 0) - pitch) == OCTAVE else "two octaves"
    direction = "lower" if (to or 0) < pitch else "higher"
    if more:
        return f"{octave} {direction}"
    return f"{octave} {direction}, written {pitch_name(read_as(giver.player, to or 0))}"

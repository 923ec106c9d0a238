"""What to do about a note that its player cannot play: another octave, another player."""

from collections.abc import Iterable
from fractions import Fraction

from retro.model.instruments import Family, Instrument
from retro.playability.desk import Desk, Read, read_as
from retro.units import pitch_name

COMFORT = 0.12
"""Share of a range at either end that is left alone when a note is given away (our own choice)."""


def octave_in_range(instrument: Instrument, pitch: int) -> int | None:
    """Give the nearest octave of a pitch that an instrument has, or None."""
    others = [pitch + 12 * octaves for octaves in (-1, 1, -2, 2)]
    return next((p for p in others if instrument.low <= p <= instrument.high), None)


def taker(
    desks: Iterable[Desk], giver: Desk, read: Read, *, own_family: bool = False
) -> str | None:
    """Give the name of another player who has the note well in range and is free, or None.

    The own instrument comes first, then the own family (and nobody else if `own_family`), then who
    has the note nearest to the middle of the range.
    """
    able = [
        (_distance(giver, desk, read), desk.player.name)
        for desk in desks
        if desk is not giver
        and desk.player.instrument.sound is giver.player.instrument.sound
        and desk.player.instrument.family is not Family.NEUTRAL
        and (not own_family or desk.player.instrument.family is giver.player.instrument.family)
        and _is_comfortable(desk.player.instrument, read.pitch)
        and _is_free(desk, read.on_beats, read.note.written_off_beats)
    ]
    return min(able)[1] if able else None


def _distance(giver: Desk, desk: Desk, read: Read) -> tuple[bool, bool, float]:
    own, other = giver.player.instrument, desk.player.instrument
    middle = 0.5 * (other.low + other.high)
    return other.id != own.id, other.family is not own.family, abs(read.pitch - middle)


def _is_comfortable(instrument: Instrument, pitch: int) -> bool:
    margin = COMFORT * (instrument.high - instrument.low)
    return instrument.low + margin <= pitch <= instrument.high - margin


def _is_free(desk: Desk, on: Fraction, off: Fraction) -> bool:
    return not any(
        other.on_beats < off and other.note.written_off_beats > on for other in desk.reads
    )


def instead(desks: Iterable[Desk], giver: Desk, read: Read) -> str:
    """Say what to do about a note that is out of its player's range."""
    ways = []
    other = taker(desks, giver, read)
    if other is not None:
        ways.append(f"give it to {other}, who is free and has it")
    octave = octave_in_range(giver.player.instrument, read.pitch)
    if octave is not None:
        direction = "lower" if octave < read.pitch else "higher"
        written = pitch_name(read_as(giver.player, octave))
        ways.append(f"take it an octave {direction}, written {written}")
    return ", or ".join(ways) or "choose another instrument for it"

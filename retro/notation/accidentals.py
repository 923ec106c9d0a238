"""Which accidentals are printed: those that the bar needs, and courtesy ones in parentheses.

Common practice: an accidental holds for its letter and octave up to the bar line and is not
repeated after a tie; the bar after an altered note, and the same letter in another octave, get a
courtesy accidental.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from retro.model.phrase import Key
from retro.model.spelling import LETTERS
from retro.notation.score import Spelled

ALTERS = {-2: "double-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
"""Alterations as MusicXML names them, by semitones."""


class Accidental(StrEnum):
    """How the accidental of a note head is printed."""

    HIDDEN = "hidden"
    PRINTED = "printed"
    COURTESY = "courtesy"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedChord:
    """The heads that one stave prints at one place, under a key signature, in a bar by its index.

    `tied_from` says that a tie comes in.
    """

    bar: int
    key: Key
    heads: tuple[Spelled, ...]
    tied_from: bool


def key_at(keys: Sequence[tuple[Fraction, Key]], at: Fraction) -> Key:
    """Return the key in force at a position."""
    return [key for start, key in keys if start <= max(at, Fraction(0))][-1]


def key_alter(key: Key, step: str) -> int:
    """Return the alteration that a key signature puts on a letter.

    >>> key_alter(Key(2), "C"), key_alter(Key(-1), "B")
    (1, -1)
    """
    if key.sharps >= 0:
        return int(step in LETTERS[: key.sharps])
    return -int(step in LETTERS[::-1][: -key.sharps])


def printed_accidentals(chords: Iterable[PlacedChord]) -> Iterator[tuple[Accidental, ...]]:
    """Yield how the accidental of each head is printed, chord by chord."""
    bar = -1
    now: dict[tuple[str, int], int] = {}
    before: dict[tuple[str, int], int] = {}
    for chord in chords:
        if chord.bar != bar:
            before = now if chord.bar == bar + 1 else {}
            now, bar = {}, chord.bar
        yield tuple(_printed(head, chord, now, before) for head in chord.heads)


def _printed(
    head: Spelled,
    chord: PlacedChord,
    now: dict[tuple[str, int], int],
    before: dict[tuple[str, int], int],
) -> Accidental:
    place = (head.step, head.octave)
    usual = key_alter(chord.key, head.step)
    if chord.tied_from:
        if place not in now and head.alter != usual:
            before[place] = head.alter
        return Accidental.HIDDEN
    in_force = now.get(place)
    others = {
        alter
        for (step, octave), alter in now.items()
        if (step, octave) != place and step == head.step
    }
    now[place] = head.alter
    if head.alter != (usual if in_force is None else in_force):
        return Accidental.PRINTED
    if in_force is not None:
        return Accidental.HIDDEN
    is_doubtful = before.pop(place, usual) != usual or others - {head.alter}
    return Accidental.COURTESY if is_doubtful else Accidental.HIDDEN

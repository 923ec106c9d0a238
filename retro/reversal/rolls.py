"""Rolled chords: tones written on one beat and struck one after the other, as a hand rolls them.

A player who reads the sign rolls as players do, however long the target's own roll is. In 2,608
rolled chords of three tones and more, of 24 pieces that pianists played ((n)ASAP, the aligned
performances of `CPJKU/asap-dataset`: Foscarin et al. 2020, Peter et al. 2023; measured by
`tests/evidence/measure_rolls.py`), a chord takes 0.15 s (median; quartiles 0.09 and 0.24), with
three tones 0.14, with four 0.16, with five 0.14: as long, however many they are. What else begins
on the beat comes with the roll's last tone (median 0.97 of the way). One sign through both hands,
with an arrow where it goes downwards, is common practice.

Conventions
-----------
Places in a sequence stand for notes; a roll's notes are in the order in which they are struck.
"""

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from retro.model.instruments import Family, Instrument

MIN_ROLL = 3
ROLL_SPREAD_S = 0.03
"""Fewest tones and smallest spread of a chord that is rolled and not only loose (published ensemble
spreads are 30 to 50 ms, Rasch 1979, read in secondary sources)."""

ROLL_S = 0.15
"""How long a player takes for a roll (see above)."""

MIN_BEFORE_S = 2 * ROLL_S
"""Least time from the stroke before to a rolled chord: the roll begins halfway. Nearer than that
a chord whose tones are not together is no roll (our own estimate)."""

_ROLLING = (Family.PLUCKED, Family.KEYBOARD)


@dataclass(frozen=True, slots=True, kw_only=True)
class Roll:
    """One rolled chord, its notes in the order in which they are struck.

    Where it `begins_on_beat`, its first tone comes on the beat; else its last, as players have it.
    """

    on_beats: Fraction
    notes: tuple[int, ...]
    is_upward: bool
    begins_on_beat: bool

    def offsets_s(self) -> Iterator[tuple[int, float]]:
        """Yield every note with its stroke's distance from the beat when a person rolls."""
        first_s = 0.0 if self.begins_on_beat else -ROLL_S
        for place, note in enumerate(self.notes):
            yield note, first_s + ROLL_S * place / (len(self.notes) - 1)


def may_roll(instrument: Instrument) -> bool:
    """Whether chords of an instrument are rolled by one player."""
    return instrument.family in _ROLLING


def find_rolls(
    on_beats: Sequence[Fraction],
    pitches: Sequence[int],
    start_s: Sequence[float],
    seconds_at: Callable[[Fraction], Fraction],
) -> Iterator[Roll]:
    """Yield the chords of one player that are struck tone by tone, upwards or downwards, in order.

    `start_s` is when each note is struck if the target is met exactly.
    """
    chords: dict[Fraction, list[int]] = defaultdict(list)
    for note, on in enumerate(on_beats):
        chords[on].append(note)
    places = sorted(chords)
    for before, on in zip([None, *places], places, strict=False):
        if before is not None and seconds_at(on) - seconds_at(before) < MIN_BEFORE_S:
            continue
        notes = sorted(chords[on], key=lambda note: (start_s[note], pitches[note]))
        spread_s = start_s[notes[-1]] - start_s[notes[0]]
        steps = [pitches[b] - pitches[a] for a, b in pairwise(notes)]
        is_upward = all(step > 0 for step in steps)
        if len(notes) < MIN_ROLL or spread_s < ROLL_SPREAD_S:
            continue
        if not is_upward and not all(step < 0 for step in steps):
            continue
        if any(start_s[a] == start_s[b] for a, b in pairwise(notes)):
            continue
        beat_s = float(seconds_at(on))
        yield Roll(
            on_beats=on,
            notes=tuple(notes),
            is_upward=is_upward,
            begins_on_beat=abs(start_s[notes[0]] - beat_s) < abs(start_s[notes[-1]] - beat_s),
        )

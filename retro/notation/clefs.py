"""Clefs by range, with few changes.

Costs are in ledger lines: a clef change is worth several notes on many ledger lines (common
practice; the weights are ours).
"""

from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise

from retro.model.instruments import Clef, Family, Instrument
from retro.model.spelling import STEPS
from retro.notation.score import Chord, Spelled

_BOTTOM_LINE = {
    Clef.TREBLE: 30,
    Clef.BASS: 18,
    Clef.ALTO: 24,
    Clef.TENOR: 22,
    Clef.PERCUSSION: 30,
}
"""Diatonic height of the bottom line: C0 is 0, E4 is 30."""

FREE_LEDGERS = 2
"""Ledger lines that are read without a thought (common practice)."""

_CHANGE_COST = 12.0
_REST_DISCOUNT = 4.0
SECOND_CHOICE, SELDOM, RELUCTANT = 0.15, 1.0, 3.0
"""What each note in another clef than the usual one costs: little for a cello, more for a trombone,
which reads three ledger lines, much for a horn, which reads far below the treble stave (common
practice)."""

_LIGHT_COSTS = (0.0, 0.2, 0.6)
"""What one and two ledger lines cost in the usual clef: in a long passage, a change of clef."""


def ledger_lines(spelled: Spelled, clef: Clef) -> int:
    """Count the ledger lines of a written pitch in a clef."""
    height = steps_up(spelled, clef)
    return max(-height // 2, (height - 8) // 2, 0)


def steps_up(spelled: Spelled, clef: Clef) -> int:
    """Return how many steps a written pitch lies above the bottom line of a clef."""
    return _height(spelled) - _BOTTOM_LINE[clef]


def choose_clefs(
    chords: Sequence[Chord], clefs: tuple[Clef, ...], *, reluctance: float = SECOND_CHOICE
) -> tuple[tuple[Fraction, Clef], ...]:
    """Return (position, clef) for one stave, the first at 0.

    `chords` are all that stands on it, in order; `clefs` what the player reads, the usual one
    first. Each note in another costs `reluctance`, in ledger lines.
    """
    if not chords or len(clefs) == 1:
        return ((Fraction(0), clefs[0]),)
    path = _best_path(chords, clefs, reluctance)
    changes = [(Fraction(0), path[0])]
    for chord, clef in zip(chords, path, strict=True):
        if clef is not changes[-1][1]:
            changes.append((chord.on_beats, clef))
    return tuple(changes)


def _best_path(chords: Sequence[Chord], clefs: tuple[Clef, ...], reluctance: float) -> list[Clef]:
    """Find the cheapest clef for every chord (dynamic programming over the chords)."""
    costs = {clef: _read_cost(chords[0], clef, clefs, reluctance) for clef in clefs}
    origins: list[dict[Clef, Clef]] = []
    sounding_until = chords[0].off_beats
    for before, chord in pairwise(chords):
        change = _CHANGE_COST
        if chord.on_beats > sounding_until:
            change -= _REST_DISCOUNT
        # A clef cannot change under a note that another voice holds, nor between two chords
        # that begin together.
        held = chord.on_beats < sounding_until or chord.on_beats == before.on_beats
        origin: dict[Clef, Clef] = {}
        following: dict[Clef, float] = {}
        for clef in clefs:
            ways = {c: costs[c] + (0.0 if c is clef else change) for c in clefs}
            origin[clef] = clef if held else min(clefs, key=ways.__getitem__)
            following[clef] = ways[origin[clef]] + _read_cost(chord, clef, clefs, reluctance)
        origins.append(origin)
        costs = following
        sounding_until = max(sounding_until, chord.off_beats)
    path = [min(clefs, key=costs.__getitem__)]
    for origin in reversed(origins):
        path.append(origin[path[-1]])
    return path[::-1]


def _read_cost(chord: Chord, clef: Clef, clefs: tuple[Clef, ...], reluctance: float) -> float:
    beyond = max(_hard_lines(spelled, clef, clefs[0]) for spelled in chord.spelled)
    most = max(ledger_lines(spelled, clef) for spelled in chord.spelled)
    light = _LIGHT_COSTS[min(most, FREE_LEDGERS)] if clef is clefs[0] else 0.0
    return beyond * (1.0 + beyond) + light + reluctance * clefs.index(clef)


def second_choice(instrument: Instrument) -> float:
    """Return what each note in another clef than the usual one costs an instrument's player."""
    if instrument.family is not Family.BRASS:
        return SECOND_CHOICE
    return RELUCTANT if instrument.clefs[0] is Clef.TREBLE else SELDOM


def _hard_lines(spelled: Spelled, clef: Clef, usual: Clef) -> int:
    """Count the ledger lines that cost reading; none are free towards the usual clef's register."""
    lines = ledger_lines(spelled, clef)
    below = _height(spelled) < _BOTTOM_LINE[clef]
    towards_usual = clef is not usual and below is (_BOTTOM_LINE[usual] < _BOTTOM_LINE[clef])
    return lines if towards_usual else max(lines - FREE_LEDGERS, 0)


def _height(spelled: Spelled) -> int:
    return 7 * spelled.octave + STEPS.index(spelled.step)

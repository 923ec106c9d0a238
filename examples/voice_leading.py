"""Deals chords out to four voices over a given bass so that each moves little.

Common practice: no parallel fifths or octaves, thirds and sevenths present, close spacing above.
"""

from collections.abc import Sequence
from itertools import combinations, product

RANGES = ((64, 79), (60, 74), (55, 69), (50, 64))
"""MIDI pitches of the four upper voices, the highest first."""

QUALITIES = {
    "": (0, 4, 7),
    "m": (0, 3, 7),
    "7": (0, 4, 7, 10),
    "m7": (0, 3, 7, 10),
    "7sus4": (0, 5, 7, 10),
}
ROOTS = {"C": 0, "D": 2, "E": 4, "F": 5, "F#": 6, "G": 7, "A": 9, "Bb": 10, "B": 11}
WIDEST = 9
"""Semitones between neighbouring upper voices."""

Voicing = tuple[int, int, int, int]


def pitch_classes(chord: str) -> tuple[int, ...]:
    """Pitch classes of a chord name such as ``F#m`` or ``C7sus4``, the root first."""
    size = 2 if chord[1:2] in ("#", "b") else 1
    return tuple((ROOTS[chord[:size]] + step) % 12 for step in QUALITIES[chord[size:]])


def voicings(chord: str) -> list[Voicing]:
    """Return every fitting spread of a chord over the four voices."""
    classes = pitch_classes(chord)
    wanted = {classes[1], *classes[3:]}
    choices = [[p for p in range(low, high + 1) if p % 12 in classes] for low, high in RANGES]
    found = []
    for a, b, c, d in product(*choices):
        spaced = 0 < a - b <= WIDEST and 0 < b - c <= WIDEST and 0 < c - d <= WIDEST
        if spaced and wanted <= {a % 12, b % 12, c % 12, d % 12}:
            found.append((a, b, c, d))
    return found


def parallels(before: Sequence[int], after: Sequence[int]) -> int:
    """Count the pairs of voices that move in parallel fifths or octaves."""
    return sum(
        before[i] != after[i]
        and (before[i] - before[j]) % 12 == (after[i] - after[j]) % 12
        and (before[i] - before[j]) % 12 in (0, 7)
        and (after[i] - before[i]) * (after[j] - before[j]) > 0
        for i, j in combinations(range(len(before)), 2)
    )


def lead(chords: Sequence[str], basses: Sequence[int]) -> list[Voicing]:
    """Choose one voicing per chord so that the whole costs least."""
    best = {voicing: (abs(voicing[0] - 72), [voicing]) for voicing in voicings(chords[0])}
    for index in range(1, len(chords)):
        best = {
            voicing: min(
                (
                    cost + _cost((*path[-1], basses[index - 1]), (*voicing, basses[index])),
                    [*path, voicing],
                )
                for cost, path in best.values()
            )
            for voicing in voicings(chords[index])
        }
    return min(best.values())[1]


def _cost(before: Sequence[int], after: Sequence[int]) -> int:
    moves = [abs(b - a) for a, b in zip(before[:4], after[:4], strict=True)]
    return sum(moves) + max(moves) + 100 * parallels(before, after)

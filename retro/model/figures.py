"""Figures: notes that players take as one gesture, not one by one: graces, glissandi, runs.

Conventions
-----------
Notes are indexes into `retro.model.performance.Performance.notes`, in the order in which the insert
has them played.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class FigureKind(StrEnum):
    """What a figure is to who plays it."""

    GRACES = "graces"
    GLISSANDO = "glissando"
    RUN = "run"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure of one part.

    Parameters
    ----------
    kind
        ``graces``: notes too short to be rhythm that lead into a main note; mirrored they follow
        it, after the beat. ``glissando``: a run that one sweep of hand, stick or pedal setting
        plays. ``run``: a fast scale that is fingered.
    notes
        Its notes, without the main note of graces.
    main
        Of graces: the note that they lead into in the target and follow in the insert; else None.
    """

    kind: FigureKind
    notes: tuple[int, ...]
    main: int | None = None


def off_the_grid(figures: Iterable[Figure]) -> frozenset[int]:
    """Return the notes that the grid does not write: graces, and a glissando's inner notes."""
    off: set[int] = set()
    for figure in figures:
        if figure.kind is FigureKind.GRACES:
            off.update(figure.notes)
        elif figure.kind is FigureKind.GLISSANDO:
            off.update(figure.notes[1:-1])
    return frozenset(off)

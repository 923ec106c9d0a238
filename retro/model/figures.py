"""Figures: notes that players take as one gesture, not one by one: graces, glissandi, runs.

Conventions
-----------
Notes are indexes into `retro.model.performance.Performance.notes`, in the order in which the insert
has them played.
"""

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

"""What the edges of one player say together: a figure and how sure it is, or why there is none."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from operator import attrgetter

import numpy as np
from scipy.stats import t as student

from retro.model.learned import LearnedTone
from retro.model.sound import FloatArray
from retro.sounds.edge_fit import ATTACKS_S, DECAYS_S, Fitted, fitted, lowest
from retro.sounds.free_notes import Edge, Found, TakeNote

MIN_NOTES = 3
MAX_DOUBT = {Edge.RISE: 0.06, Edge.FALL: 0.3, Edge.RING: 0.25}
MAX_ATTACK_DOUBT_S = 0.007
"""How far what is heard may leave a figure open that is stated (95 %), as a share of it; an attack
by either; a fall by more, since what nobody knows of the room counts there."""

MAX_OPEN = {Edge.RISE: 0.3, Edge.FALL: 0.35, Edge.RING: 0.3}
"""The same in all, where the notes of a player differ."""

METHOD, METHOD_S = 0.05, 0.004
"""What the method leaves open of any figure, and of any attack (95 %)."""

MIN_EACH = 4
"""Notes of a register or a loudness that is stated by itself."""

DIFFER = 3.5
"""Deviations by which registers or loudnesses have to differ."""

DIFFER_CLEARLY = 1.3
"""Notes differ where what they say together moves by this much more than what is heard allows."""

SHOWN = {Edge.RISE: "attack", Edge.FALL: "decay", Edge.RING: "decay"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfit:
    """A note of which an edge was heard, and how badly every figure fits it.

    Parameters
    ----------
    note
        Which.
    misfit
        Of every figure in every room that may be heard, shape (rooms, figures).
    against
        What the other players' notes say against these rooms, shape (rooms, 1).
    """

    note: TakeNote
    misfit: FloatArray
    against: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """A figure, how far it may be off or differ from note to note, and of how many notes it is."""

    figure_s: float
    spread_s: float
    notes: int


def figures_of(edge: Edge) -> FloatArray:
    """Return the figures that are tried."""
    return ATTACKS_S if edge is Edge.RISE else DECAYS_S


def together(heard: Sequence[Misfit], edge: Edge) -> Fitted:
    """Return the figure that fits some notes, at least one, best."""
    return fitted(
        [one.misfit for one in heard],
        [one.note.pitch for one in heard],
        figures_of(edge),
        heard[0].against,
    )


def stated(heard: Sequence[Misfit], edge: Edge) -> Stated:
    """Return what some notes say together."""
    found = together(heard, edge)
    alone = np.log(_alone(heard, edge))
    differ = 1.48 * float(np.median(np.abs(alone - np.median(alone))))
    doubt_s = _doubt(found, _notes(heard), edge) * found.figure_s
    return Stated(
        figure_s=found.figure_s,
        spread_s=max(doubt_s, differ * found.figure_s),
        notes=_notes(heard),
    )


def why_not(heard: Sequence[Misfit], edge: Edge, found: Found, lost: int) -> str | None:
    """Return why a figure is not stated; None where it is.

    Parameters
    ----------
    found
        The free edges of the player.
    lost
        How many of these lie outside the file.
    """
    what, free = SHOWN[edge], len(found.edges) - lost
    if free < MIN_NOTES:
        return f"{what}: {_too_few(found, lost)}"
    if _notes(heard) < MIN_NOTES:
        return (
            f"{what}: {free - _notes(heard)} of {free} free notes do not stand out of noise and "
            "other sounds"
        )
    return _too_open(heard, edge)


def _too_open(heard: Sequence[Misfit], edge: Edge) -> str | None:
    """Return why some notes together do not say enough; None where they do."""
    both, what, count = together(heard, edge), SHOWN[edge], _notes(heard)
    limit, most = MAX_DOUBT[edge], MAX_OPEN[edge]
    if edge is Edge.RISE:
        limit = max(limit, MAX_ATTACK_DOUBT_S / both.figure_s)
        most = max(most, limit)
    heard_open, all_open = 2.0 * both.heard_error, _doubt(both, count, edge)
    if heard_open <= limit and all_open <= most:
        return None
    if both.error > DIFFER_CLEARLY * both.heard_error:
        alone = _alone(heard, edge)
        least, greatest = (_shown(float(each), edge) for each in (alone.min(), alone.max()))
        return f"{what}: {count} free notes differ, from {least} to {greatest}"
    share, at_most = (heard_open, limit) if heard_open > limit else (all_open, most)
    wanted = math.ceil(count * (share / at_most) ** 2)
    return (
        f"{what}: {count} free notes say about {_shown(both.figure_s, edge)} and leave it "
        f"open by {100.0 * min(share, 9.99):.0f} %, more than {100.0 * at_most:.0f} %; some "
        f"{wanted} of several pitches would do"
    )


def _shown(figure_s: float, edge: Edge) -> str:
    return f"{1000.0 * figure_s:.0f} ms" if edge is Edge.RISE else f"{figure_s:.2f} s"


def _alone(heard: Sequence[Misfit], edge: Edge) -> FloatArray:
    """Return what every note says by itself, in the room that all of them fit best."""
    room = int((heard[0].against.T + sum(one.misfit.min(axis=1) for one in heard)).argmin())
    return np.array([lowest(one.misfit[room], figures_of(edge)) for one in heard])


def _notes(heard: Sequence[Misfit]) -> int:
    """Return how many notes were heard, each in one microphone or in several."""
    return len({one.note.index for one in heard})


def tones(
    attacks: Sequence[Misfit], decays: Sequence[Misfit], falling: Edge
) -> tuple[LearnedTone, ...]:
    """Return figures by register and loudness, where enough notes tell that they differ.

    Parameters
    ----------
    attacks, decays
        The edges of what is stated; empty where it is not.
    falling
        Whether decays are of tones that are let go or of strokes.
    """
    rises, falls = _split(attacks, Edge.RISE), _split(decays, falling)
    return (*rises, *falls) if len(rises) + len(falls) > 2 else ()


def _split(heard: Sequence[Misfit], edge: Edge) -> list[LearnedTone]:
    """Return one tone for all notes, or one for each register or loudness; none for no notes."""
    if not heard:
        return []
    halves = _halves(heard, edge)
    everyone = [one.note for one in heard]
    by_pitch = halves is not None and _is_by_pitch(halves)
    found = []
    for some in halves or [list(heard)]:
        notes = [one.note for one in some]
        figure_s = together(some, edge).figure_s
        found.append(
            LearnedTone(
                pitch=_middle([n.pitch for n in (notes if by_pitch else everyone)]),
                velocity=_middle([n.velocity for n in (everyone if by_pitch else notes)]),
                held_s=1.0,
                attack_s=figure_s if edge is Edge.RISE else None,
                decay_s=None if edge is Edge.RISE else figure_s,
            )
        )
    return found


def _halves(heard: Sequence[Misfit], edge: Edge) -> list[list[Misfit]] | None:
    """Return the notes low and high, or soft and loud, where one of these differs clearly."""
    found = []
    pitches, velocities = (
        [each(one.note) for one in heard] for each in (attrgetter("pitch"), attrgetter("velocity"))
    )
    for values in (pitches, velocities):
        middle = float(np.median(values))
        pairs = list(zip(values, heard, strict=True))
        low = [one for value, one in pairs if value <= middle]
        high = [one for value, one in pairs if value > middle]
        if min(_notes(low), _notes(high)) < MIN_EACH:
            continue
        first, second = together(low, edge), together(high, edge)
        apart = abs(math.log(first.figure_s / second.figure_s))
        found.append((apart / math.hypot(first.error, second.error, METHOD), [low, high]))
    best = max(found, key=lambda one: one[0], default=None)
    return best[1] if best is not None and best[0] >= DIFFER else None


def _is_by_pitch(halves: Sequence[Sequence[Misfit]]) -> bool:
    low, high = halves
    return max(one.note.pitch for one in low) < min(one.note.pitch for one in high)


def _middle(values: Sequence[int]) -> int:
    return round(float(np.median(values)))


def _doubt(found: Fitted, notes: int, edge: Edge) -> float:
    """Return how far a figure may be off (95 %), as a share of it; few notes know it badly."""
    of_notes = float(student.ppf(0.975, max(notes - 1, 1))) * found.error
    method = METHOD if edge is not Edge.RISE else max(METHOD, METHOD_S / found.figure_s)
    return math.hypot(of_notes, method)


def _too_few(found: Found, lost: int) -> str:
    free = len(found.edges) - lost
    reasons = [
        f"{count} {why}"
        for count, why in (
            (found.slurred, "too short or without a rest beside it"),
            (found.covered, "covered by others"),
            (lost, "outside the file"),
        )
        if count
    ]
    said = f": {', '.join(reasons)}" if reasons else ""
    return f"{free or 'no'} note{'' if free == 1 else 's'} free, {MIN_NOTES} are needed{said}"

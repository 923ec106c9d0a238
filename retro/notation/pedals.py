"""Harp pedals for a passage: the setting to begin with and as few changes as can be.

Each of seven pedals holds all strings of one letter flat, natural or sharp. The left foot has D, C
and B, the right foot E, F, G and A; each foot moves one pedal at a time (common practice). Every
pitch may be taken on another string under another name, so the best way is a shortest path over the
``3 ** 7`` settings: first no foot is asked for more than it can do between two strokes, then the
changes are few and strings are those that the notes are spelled as, then the setting stays near the
key.

Conventions
-----------
A setting is a tuple of alterations (-1, 0, 1) in pedal order D C B E F G A.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise, product

import numpy as np
import numpy.typing as npt

from retro.model.phrase import Key
from retro.model.sound import FloatArray
from retro.model.spelling import NATURALS
from retro.notation.accidentals import key_alter

Setting = tuple[int, ...]

PEDALS = "DCBEFGA"
LEFT = 3
"""How many of them are the left foot's."""

MIN_CHANGE_S = 0.25
"""Least time for one foot to move one pedal (common practice, from memory)."""

COMFORTABLE_S = 0.6
"""Time for it that asks for no special practice (common practice, from memory)."""

_SIGNS = {-1: "b", 0: "", 1: "#"}
_TOO_MANY = 1000.0
_HURRIED = 0.25
_OUT_OF_KEY = 0.001
_MISNAMED, _MISNAMED_SCALE = 0.6, 3.0


@dataclass(frozen=True, slots=True)
class Pluck:
    """Strings that are plucked at one moment; `until_s` is when the last is damped, as written.

    `strings` are those that the sounding pitches are spelled as, (letter, alteration), where that
    is known; `scale` those among them that the key has: they keep their names.
    """

    at_s: float
    until_s: float
    pitches: tuple[int, ...]
    strings: tuple[tuple[str, int], ...] = ()
    scale: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PedalChange:
    """One pedal that moves before the pluck, by its index, that needs it.

    `free_s` is the time from the last pluck on, shared by all `foot_changes` of the foot.
    `still_rings` says that a string of the pedal is still meant to sound when it has to move.
    """

    pluck: int
    letter: str
    before: int
    after: int
    free_s: float
    foot_changes: int
    still_rings: bool

    @property
    def each_s(self) -> float:
        """Time that the foot has for this change."""
        return self.free_s / self.foot_changes

    def __str__(self) -> str:
        before, after = (f"{self.letter}{_SIGNS[alter]}" for alter in (self.before, self.after))
        return f"{before} to {after}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PedalPlan:
    """How to pedal a passage: the setting to begin with, and the changes in order.

    `impossible` has the indexes of the plucks that no setting has.
    """

    first: Setting
    changes: tuple[PedalChange, ...]
    impossible: tuple[int, ...]

    def diagram(self, signs: Mapping[int, str] = _SIGNS) -> str:
        """Return the first setting as harpists write it: ``D C Bb | E F# G A``."""
        names = [f"{letter}{signs[a]}" for letter, a in zip(PEDALS, self.first, strict=True)]
        return f"{' '.join(names[:LEFT])} | {' '.join(names[LEFT:])}"


def key_setting(sharps: int) -> Setting:
    """Return the setting of a key signature, sharps positive."""
    return tuple(key_alter(Key(sharps), letter) for letter in PEDALS)


def plan_pedals(plucks: Sequence[Pluck], *, sharps: int = 0) -> PedalPlan:
    """Return the setting to begin with and the fewest changes for plucks in order of time.

    Pedals that nothing asks for are set to the key signature at the beginning.
    """
    ways = [_allowed(frozenset(p % 12 for p in pluck.pitches)) for pluck in plucks]
    impossible = tuple(i for i, way in enumerate(ways) if not way.any())
    played = [i for i, way in enumerate(ways) if way.any()]
    if not played:
        return PedalPlan(first=key_setting(sharps), changes=(), impossible=impossible)
    misnamed = [_misnamed(pluck) for pluck in plucks]
    begun = _from_key(sharps) + misnamed[played[0]]
    costs = [np.where(ways[played[0]], begun, np.inf)]
    gaps_s = [plucks[b].at_s - plucks[a].at_s for a, b in pairwise(played)]
    for index, gap_s in zip(played[1:], gaps_s, strict=True):
        costs.append(np.where(ways[index], _moved(costs[-1], gap_s) + misnamed[index], np.inf))
    settings = _trace(costs, gaps_s)
    return PedalPlan(
        first=settings[0],
        changes=tuple(_changes(plucks, played, settings)),
        impossible=impossible,
    )


@cache
def _settings(pedals: int) -> FloatArray:
    return np.array(list(product((-1, 0, 1), repeat=pedals)), dtype=float)


@cache
def _all_settings() -> FloatArray:
    """Alterations, shape (27, 81, 7): left foot, right foot, pedal."""
    left, right = _settings(LEFT), _settings(len(PEDALS) - LEFT)
    shape = (len(left), len(right))
    return np.concatenate(
        (
            np.broadcast_to(left[:, np.newaxis], (*shape, LEFT)),
            np.broadcast_to(right[np.newaxis], (*shape, len(PEDALS) - LEFT)),
        ),
        axis=2,
    )


@cache
def _allowed(classes: frozenset[int]) -> npt.NDArray[np.bool_]:
    """Say which settings have all pitch classes on their strings."""
    open_classes = np.array([NATURALS[letter] for letter in PEDALS])
    strings = (open_classes + _all_settings()) % 12
    allowed = np.ones(strings.shape[:2], dtype=bool)
    for wanted in classes:
        allowed &= np.any(strings == wanted, axis=2)
    return allowed


def _misnamed(pluck: Pluck) -> FloatArray:
    """Return what each setting costs that has other strings than notes are spelled as."""
    settings = _all_settings()
    cost = np.zeros(settings.shape[:2])
    for letter, alter in set(pluck.strings):
        weight = _MISNAMED_SCALE if (letter, alter) in pluck.scale else _MISNAMED
        cost += weight * (settings[:, :, PEDALS.index(letter)] != alter)
    return cost


def _from_key(sharps: int) -> FloatArray:
    differing = _all_settings() != np.array(key_setting(sharps))
    return np.asarray(_OUT_OF_KEY * np.sum(differing, axis=2))


@cache
def _distances(pedals: int) -> FloatArray:
    settings = _settings(pedals)
    return np.asarray(np.sum(settings[:, np.newaxis] != settings[np.newaxis], axis=2), dtype=float)


def _foot_costs(pedals: int, gap_s: float) -> FloatArray:
    """Cost from each of a foot's settings to each other in a time, shape (from, to)."""
    changes = _distances(pedals)
    too_many = changes * MIN_CHANGE_S > gap_s
    hurried = changes * COMFORTABLE_S > gap_s
    return np.asarray(changes * (1.0 + _TOO_MANY * too_many + _HURRIED * hurried))


def _moved(cost: FloatArray, gap_s: float) -> FloatArray:
    """Cheapest way to every setting from the costs before."""
    left, right = _foot_costs(LEFT, gap_s), _foot_costs(len(PEDALS) - LEFT, gap_s)
    by_right = np.min(cost[:, :, np.newaxis] + right[np.newaxis], axis=1)
    return np.asarray(np.min(by_right[:, np.newaxis] + left[:, :, np.newaxis], axis=0))


def _trace(costs: Sequence[FloatArray], gaps_s: Sequence[float]) -> list[Setting]:
    """Walk the cheapest path back from the end."""
    at = int(np.argmin(costs[-1]))
    shape = costs[0].shape
    places = [at]
    for cost, gap_s in zip(costs[-2::-1], gaps_s[::-1], strict=True):
        left, right = np.unravel_index(at, shape)
        step = (
            _foot_costs(LEFT, gap_s)[:, left][:, np.newaxis]
            + _foot_costs(len(PEDALS) - LEFT, gap_s)[:, right][np.newaxis]
        )
        at = int(np.argmin(cost + step))
        places.append(at)
    every = _all_settings().reshape(-1, len(PEDALS))
    return [tuple(int(alter) for alter in every[place]) for place in places[::-1]]


def _changes(
    plucks: Sequence[Pluck], played: Sequence[int], settings: Sequence[Setting]
) -> Iterable[PedalChange]:
    rings_until_s = dict.fromkeys(PEDALS, 0.0)
    _let_ring(rings_until_s, plucks[played[0]], settings[0])
    for k, index in enumerate(played[1:], start=1):
        before, after = settings[k - 1], settings[k]
        moving = [i for i in range(len(PEDALS)) if before[i] != after[i]]
        for i in moving:
            yield PedalChange(
                pluck=index,
                letter=PEDALS[i],
                before=before[i],
                after=after[i],
                free_s=plucks[index].at_s - plucks[played[k - 1]].at_s,
                foot_changes=sum((j < LEFT) == (i < LEFT) for j in moving),
                still_rings=rings_until_s[PEDALS[i]] > plucks[index].at_s - MIN_CHANGE_S,
            )
        _let_ring(rings_until_s, plucks[index], after)


def _let_ring(rings_until_s: dict[str, float], pluck: Pluck, setting: Setting) -> None:
    classes = {pitch % 12 for pitch in pluck.pitches}
    for letter, alter in zip(PEDALS, setting, strict=True):
        if (NATURALS[letter] + alter) % 12 in classes:
            rings_until_s[letter] = max(rings_until_s[letter], pluck.until_s)

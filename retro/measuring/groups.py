"""Attacks that belong together, and where such groups were heard.

Conventions
-----------
Times are insert time in seconds; later is positive.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from retro.measuring.identify import ExpectedAttack
from retro.model.sound import FloatArray

TOGETHER_S = 0.03
"""Attacks this close are one group: players in an ensemble are no closer (Rasch 1979, S)."""

LEVEL_S, MIN_LEVEL_S = 0.5, 0.12
"""How long after an attack its greatest energy is looked for."""

NEAR_S = 0.15
"""How far from the common lateness a group may lie."""

ONE_GROUP_S = 0.004
"""What is left open of any one group (95 %)."""

GROUPS_DIFFER_S = 0.03
"""How far a group may be off and still say something of the take: players in ensembles spread by 30
to 50 ms (Rasch 1979, S)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Attacks that belong together.

    Parameters
    ----------
    at_s
        Where the plan expects them: their median, weighted by energy.
    attacks
        All of them, in order of time.
    """

    at_s: float
    attacks: tuple[ExpectedAttack, ...]

    @property
    def amplitude(self) -> float:
        """Root of the summed energies."""
        return float(np.sqrt(sum(attack.weight for attack in self.attacks)))

    @property
    def length_s(self) -> float:
        """How long its longest note lasts."""
        return max(attack.length_s for attack in self.attacks)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardGroup:
    """Where a group was found.

    Parameters
    ----------
    late_s, error_s
        Seconds late, and the deviation of that.
    is_alone
        Whether it stands alone, so that nothing else can have been taken for it.
    elsewhere_s
        How far from there the other groups of the take say that it is (deviation); 0 where they
        were not asked.
    """

    group: Group
    late_s: float
    error_s: float
    is_alone: bool = False
    elsewhere_s: float = 0.0

    @property
    def weight(self) -> float:
        """How much it says of the take."""
        return self.group.amplitude / (1.0 + (self.error_s / GROUPS_DIFFER_S) ** 2)

    @property
    def uncertainty_s(self) -> float:
        """How far it may be off (95 %)."""
        return float(np.hypot(ONE_GROUP_S, 2.0 * max(self.error_s, self.elsewhere_s)))


def groups_of(attacks: Sequence[ExpectedAttack]) -> tuple[Group, ...]:
    """Return the groups of some attacks, in order of time."""
    groups: list[list[ExpectedAttack]] = []
    for attack in sorted(attacks, key=lambda attack: (attack.at_s, attack.pitch)):
        if groups and attack.at_s - groups[-1][0].at_s <= TOGETHER_S:
            groups[-1].append(attack)
        else:
            groups.append([attack])
    return tuple(
        Group(
            at_s=weighted_middle(
                np.array([attack.at_s for attack in group]),
                np.array([attack.weight for attack in group]),
            ),
            attacks=tuple(group),
        )
        for group in groups
    )


def weighted_middle(values: FloatArray, weights: FloatArray) -> float:
    """Return the value at the middle of all weights, between neighbours where it falls so."""
    order = np.argsort(values, kind="stable")
    weights = weights[order]
    reached = (np.cumsum(weights) - 0.5 * weights) / weights.sum()
    return float(np.interp(0.5, reached, values[order]))


def middle_s(heard: Sequence[HeardGroup]) -> float:
    """Return the median lateness of some groups, each by its weight."""
    return weighted_middle(
        np.array([one.late_s for one in heard]), np.array([one.weight for one in heard])
    )

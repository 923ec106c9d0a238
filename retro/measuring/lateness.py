"""How late the players were: where groups of attacks are heard in a take, against the plan.

What it is. Tones that attack together are one group. The group is heard where the energy of its
**sum** first passes the plan's threshold (10 dB) below the greatest that it reaches within half a
second of its start, as the microphone hears it, room and all. Its lateness is that moment minus
the one at which the plan expects it: the median of its attacks, weighted by energy. The lateness of
a take is the median over its groups, each weighted by its amplitude (the root of the summed
energies of its notes). Where players differ, the sum passes the threshold before the median
player's tone does; that is meant.

Method. Each group is read in the partials of its pitches (`retro.measuring.rises`), twice: the
second pass looks about the lateness that the first one found. A group that stands alone, such as
the phrase's first, is read once more in the whole sound (`retro.measuring.lone`). What the groups
say together, those that were not heard included, is settled by how sure each of them is
(`retro.measuring.settle`). That players and so groups differ is no error of it.

Conventions
-----------
Times are insert time in seconds; later is positive.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from retro.measuring.groups import NEAR_S, Group, HeardGroup, middle_s
from retro.measuring.identify import ExpectedAttack
from retro.measuring.listen import Sounding
from retro.measuring.lone import alone
from retro.measuring.rises import follow, heard_late
from retro.measuring.settle import settled
from retro.measuring.share import own_shares

MAX_GROUPS = 400
PASSES = 2
FIRST_S = -0.05
"""Where the first pass begins from the coarse lateness: slow rises are steepest behind the moment
at which they are heard, and a background that holds some of the rise hides its beginning."""

AMONG_S, MAX_OTHERS = 0.15, 0.05
"""How close others attack among whom no group stands alone, and what share of its energy is
theirs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lateness:
    """How late a microphone says that a take is.

    Parameters
    ----------
    common_s, uncertainty_s
        The median over groups, and how far it may be off (95 %).
    heard, unheard
        The groups that could be told apart, in order of time, and the others.
    own_share
        What share of the energy that its groups reach is its players' own: their mean by amplitude.
    """

    common_s: float
    uncertainty_s: float
    heard: tuple[HeardGroup, ...]
    unheard: tuple[Group, ...]
    own_share: float


def hear_lateness(
    sounding: Sounding,
    groups: Sequence[Group],
    *,
    coarse_s: float,
    onset_db: float,
    reverberation_s: float,
    others: Sequence[ExpectedAttack] = (),
    everyone: Sounding | None = None,
) -> Lateness | None:
    """Return how late the groups are; None where none can be told apart.

    Parameters
    ----------
    groups
        In order of time.
    coarse_s
        About how late they are, from `retro.measuring.identify`.
    onset_db
        How far below its level a group is heard to begin.
    reverberation_s
        How long the room rings, about.
    others
        Attacks of players who are not asked for and may be heard: no group stands alone among them.
    everyone
        A microphone that hears all players, where `sounding` is close to some.
    """
    at_s = np.array([group.at_s for group in groups])
    after_last_s = np.diff(at_s, prepend=-np.inf)
    loudest = sorted(
        zip(groups, after_last_s, strict=True), key=lambda one: (-one[0].amplitude, one[0].at_s)
    )[:MAX_GROUPS]
    shares = own_shares(sounding, everyone, [group for group, _ in loudest], others, coarse_s)
    followed = [
        (group, follow(sounding, group, coarse_s, after_last_s=float(after_s)), share)
        for (group, after_s), share in zip(loudest, shares, strict=True)
    ]
    common_s, heard = FIRST_S, []
    for _ in range(PASSES):
        heard = [
            HeardGroup(group=group, late_s=coarse_s + found[0], error_s=found[1])
            for group, one, own_share in followed
            if (
                found := heard_late(
                    one,
                    common_s,
                    onset_db=onset_db,
                    reverberation_s=reverberation_s,
                    own_share=own_share,
                )
            )
            is not None
        ]
        if not heard:
            return None
        common_s = middle_s(heard) - coarse_s
        if abs(common_s) > NEAR_S:
            return None
    heard = sorted(
        (
            one if is_among(one.group, others) else alone(sounding, one, at_s, onset_db) or one
            for one in heard
        ),
        key=lambda one: one.group.at_s,
    )
    found_groups = {id(one.group) for one in heard}
    unheard = tuple(group for group in groups if id(group) not in found_groups)
    said = settled(heard, unheard)
    heard = [
        replace(one, elsewhere_s=elsewhere_s)
        for one, elsewhere_s in zip(heard, said.elsewhere_s, strict=True)
    ]
    return Lateness(
        common_s=said.late_s,
        uncertainty_s=said.uncertainty_s,
        heard=tuple(heard),
        unheard=unheard,
        own_share=float(np.average(shares, weights=[group.amplitude for group, _ in loudest])),
    )


def is_among(group: Group, others: Sequence[ExpectedAttack], *, share: float = MAX_OTHERS) -> bool:
    """Return whether others with more than a share of its energy attack about when it does."""
    near = sum(other.weight for other in others if abs(other.at_s - group.at_s) < AMONG_S)
    return near > share * group.amplitude**2

"""Where an insert lies in a take that has it elsewhere: the nearest of the places that fit."""

from collections.abc import Sequence

import numpy as np

from retro.measuring.identify import (
    NEAR_S,
    ExpectedAttack,
    Match,
    densest,
    fits_about,
    match_plan,
)
from retro.measuring.listen import Sounding
from retro.model.sound import FloatArray

MAX_SEARCH_S, SEARCH_REACH_S = 1_200.0, 60.0
"""How far on both sides an insert that was not found is looked for, and by what steps."""

ALIKE = 0.75
"""How well another take fits, against the one that fits best, that is as good an answer."""


def find_insert(
    sounding: Sounding, attacks: Sequence[ExpectedAttack], *, search_s: float = MAX_SEARCH_S
) -> Match | None:
    """Return how a take fits the plan where it seems to lie; None where nothing is like it.

    Of several places that fit nearly alike it is the nearest.

    Parameters
    ----------
    search_s
        How far from the stated place it is looked for.
    """
    attacks = densest(attacks)
    length_s = attacks[-1].at_s - attacks[0].at_s
    first_s = max(sounding.start_s - attacks[0].at_s, -search_s)
    last_s = max(min(sounding.end_s - attacks[-1].at_s, search_s), first_s)
    steps = max(int(np.ceil((last_s - first_s) / (2.0 * SEARCH_REACH_S))), 1)
    reach_s = 0.5 * (last_s - first_s) / steps + NEAR_S
    found = []
    for step in range(steps):
        centre_s = first_s + (2 * step + 1) * 0.5 * (last_s - first_s) / steps
        late_s, fits = fits_about(sounding, attacks, centre_s, reach_s)
        for at_s in _nearest_and_best(late_s, fits, length_s):
            found.append(match_plan(sounding, attacks, expected_s=at_s))
    sure = [one for one in found if one.is_this_insert]
    best = max(sure, key=lambda one: one.over_chance, default=None)
    if best is None:
        return None
    others = [
        one
        for one in sure
        if one.over_chance >= ALIKE * best.over_chance and abs(one.late_s - best.late_s) > length_s
    ]
    return min([best, *others], key=lambda one: abs(one.late_s))


def _nearest_and_best(late_s: FloatArray, fits: FloatArray, length_s: float) -> tuple[float, ...]:
    """Return where the insert fits best, and before it a nearer place that fits nearly as well.

    Places within one length of the insert are one: music is like itself.
    """
    best_s = float(late_s[np.argmax(fits)])
    is_other = (fits >= ALIKE * fits.max()) & (np.abs(late_s - best_s) > length_s)
    if not is_other.any():
        return (best_s,)
    nearest_s = late_s[is_other][np.argmin(np.abs(late_s[is_other]))]
    own = np.where(np.abs(late_s - nearest_s) <= 0.5 * length_s, fits, -np.inf)
    other_s = float(late_s[np.argmax(own)])
    return (other_s, best_s) if abs(other_s) < abs(best_s) else (best_s,)

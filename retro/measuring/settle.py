"""What groups that were heard say together: the lateness of a take, and how sure that is.

Method. The groups of a take scatter about one lateness because players differ, and each was heard
with an error of its own; or it was not heard at all and something else was taken for it, which can
lie anywhere near. For every lateness and scatter on a grid follows how likely the readings are (a
normal distribution in each level, the scatter unknown: Gelman et al., Bayesian Data Analysis, 5.4,
from memory; and a share of outliers, as robust estimates have it). Lateness and scatter are drawn
by that likelihood, then each group, those that were not heard too, and the median over all groups
by amplitude. The median of those medians is the lateness, and 95 % of them lie within its
uncertainty.

Conventions
-----------
Times are insert time in seconds; later is positive.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from retro.measuring.groups import (
    NEAR_S,
    Group,
    HeardGroup,
    weighted_middle,
)
from retro.model.sound import FloatArray

DRAWS = 400
OUTLIERS = 0.05
"""Share of groups for which something else was heard, of those that do not stand alone."""

REACH_S, STEP_S = 0.06, 0.002
"""How far about the middle of the clear groups the lateness may lie, and the steps of the grid."""

MIN_SCATTER_S, MAX_SCATTER_S, SCATTERS = 0.004, 0.04, 8
"""By how much the groups of one take differ at least and at most. Each is the sum of several
players, who spread by 30 to 50 ms in ensembles (Rasch 1979, S) and are never closer than a few."""

TINY = 1e-300
RIPPLE_S = 0.010
"""Energy ripples with the period of the lowest tones, 100 Hz and more: no crossing is known better
than that (95 %)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """The lateness of a take, how far it may be off (95 %), and `elsewhere_s` of heard groups."""

    late_s: float
    uncertainty_s: float
    elsewhere_s: tuple[float, ...]


def settled(heard: Sequence[HeardGroup], unheard: Sequence[Group]) -> Settled:
    """Return the lateness that groups say together."""
    late_s = np.array([one.late_s for one in heard])
    amplitudes = [one.group.amplitude for one in heard] + [one.amplitude for one in unheard]
    drawn_s = _drawn(heard, late_s, len(unheard))
    weights = np.array(amplitudes)
    middles_s = np.array([weighted_middle(row, weights) for row in drawn_s])
    middle = float(np.median(middles_s))
    doubt_s = float(np.quantile(np.abs(middles_s - middle), 0.95))
    apart_s = np.sqrt(np.mean((drawn_s[:, : len(heard)] - late_s) ** 2, axis=0))
    return Settled(
        late_s=middle,
        uncertainty_s=float(np.hypot(doubt_s, RIPPLE_S)),
        elsewhere_s=tuple(float(one) for one in apart_s),
    )


def _drawn(heard: Sequence[HeardGroup], late_s: FloatArray, unheard: int) -> FloatArray:
    """Return groups as they may truly be, heard ones first, shape (draws, groups)."""
    chance = np.random.default_rng(0)
    error_s = np.array([one.error_s for one in heard])
    middle = weighted_middle(late_s, np.array([one.weight for one in heard]))
    middles = middle + np.arange(-REACH_S, REACH_S + 0.5 * STEP_S, STEP_S)
    scatters = np.geomspace(MIN_SCATTER_S, MAX_SCATTER_S, SCATTERS)
    variance = scatters[:, None] ** 2 + error_s**2
    squares = (late_s - middles[:, None, None]) ** 2 / variance
    outliers = np.where([one.is_alone for one in heard], 0.0, OUTLIERS)
    elsewhere = outliers / (2.0 * NEAR_S)
    near = (1.0 - outliers) * np.exp(-0.5 * squares) / np.sqrt(2.0 * np.pi * variance)
    likely = np.log(near + elsewhere + TINY).sum(axis=2).ravel()
    likely = np.exp(likely - likely.max())
    at, by = np.divmod(chance.choice(likely.size, DRAWS, p=likely / likely.sum()), SCATTERS)
    common = (middles[at] + STEP_S * (chance.random(DRAWS) - 0.5))[:, None]
    scatter = scatters[by][:, None]
    doubt = elsewhere / (near[at, by] + elsewhere + TINY)
    is_heard = chance.random(doubt.shape) >= doubt
    spread = np.where(is_heard, 1.0 / (1.0 / scatter**2 + 1.0 / error_s**2), scatter**2)
    centre = np.where(is_heard, spread * (common / scatter**2 + late_s / error_s**2), common)
    own = centre + np.sqrt(spread) * chance.standard_normal(spread.shape)
    others = common + scatter * chance.standard_normal((DRAWS, unheard))
    return np.concatenate((own, others), axis=1)

"""What share of what a section's microphone hears of a group is the section's own.

Others bleed in. Where they share partials with a section they raise the level that its group seems
to reach, and since what bleeds in comes by the room and late, the group seems to pass the threshold
late: trumpets in a tutti by 20 to 30 ms. A microphone that hears everyone tells how much it is. At
partials that only others have, the section's microphone hears some share of what that one hears.
At the partials of a group, what it hears beyond that share is the section's own.

Conventions
-----------
Times are insert time in seconds; later is positive.
"""

from collections.abc import Sequence

import numpy as np

from retro.measuring.groups import LEVEL_S, MIN_LEVEL_S, Group, weighted_middle
from retro.measuring.identify import ExpectedAttack
from retro.measuring.listen import Sounding
from retro.measuring.rises import WINDOW_S, partial_bins
from retro.model.sound import FloatArray
from retro.units import seconds_to_samples

HOP_S = 0.04
RISEN_S = 0.05
"""How long after its attack what a group reaches is looked at first."""

RINGING_S = 0.3
"""How long after its end a tone is still there."""

APART_BINS, MAX_PARTIALS = np.arange(-2, 3), 60
"""How far from the section's own partials, and from how many of each tone, those of others lie that
are only theirs."""

MIN_BINS = 20
"""With fewer bins that are only theirs nothing is known of what bleeds in."""

MIN_SHARE = 0.4
"""With less of its own than this, a group's share is not known: partials of few tones beat."""


def own_shares(
    sounding: Sounding,
    everyone: Sounding | None,
    groups: Sequence[Group],
    others: Sequence[ExpectedAttack],
    late_s: float,
) -> tuple[float, ...]:
    """Return for each group what share of its energy is its players' own, `MIN_SHARE` to 1.

    Parameters
    ----------
    sounding, everyone
        The section's microphone, and one that hears all; without it everything is the section's.
    others
        Attacks of all other players.
    late_s
        About how late the groups are.
    """
    if everyone is None or not others:
        return (1.0,) * len(groups)
    rate = min(sounding.rate, everyone.rate)
    size = seconds_to_samples(WINDOW_S, rate)
    reached, bled = [], []
    for group in groups:
        until_s = max(min(LEVEL_S, group.length_s), MIN_LEVEL_S)
        end_s = group.at_s + until_s
        own = [one for each in groups for one in each.attacks if _sounds(one, group.at_s, end_s)]
        with_it = [one for one in others if one.is_pitched and _sounds(one, group.at_s, end_s)]
        near = np.add.outer(partial_bins(own, size, rate, partials=MAX_PARTIALS), APART_BINS)
        theirs = np.setdiff1d(partial_bins(with_it, size, rate), near)
        energy = np.array(
            [
                _energy(one, group.at_s + late_s + RISEN_S, until_s - RISEN_S)
                for one in (sounding, everyone)
            ]
        )
        reached.append(energy[:, partial_bins(group.attacks, size, rate)].sum(axis=1))
        bled.append(energy[:, theirs])
    here, there = np.concatenate(bled, axis=1)
    here, there = here[there > 0.0], there[there > 0.0]
    if len(here) < MIN_BINS:
        return (1.0,) * len(groups)
    bleeding = weighted_middle(here / there, there)
    shares = [1.0 - bleeding * at_all / own if own > 0.0 else 1.0 for own, at_all in reached]
    return tuple(float(share) for share in np.clip(shares, MIN_SHARE, 1.0))


def _sounds(attack: ExpectedAttack, start_s: float, end_s: float) -> bool:
    return attack.at_s < end_s and attack.at_s + attack.length_s + RINGING_S > start_s


def _energy(microphone: Sounding, start_s: float, length_s: float) -> FloatArray:
    """Return the energy of each bin, added up over windows whose middles lie in a span."""
    rate = microphone.rate
    size, hop = seconds_to_samples(WINDOW_S, rate), seconds_to_samples(HOP_S, rate)
    sound = microphone.span(start_s - 0.5 * WINDOW_S, seconds_to_samples(length_s, rate) + size)
    frames = np.lib.stride_tricks.sliding_window_view(sound, size)[::hop]
    spectrum = np.fft.rfft(frames * np.hanning(size), axis=1)
    return np.asarray((spectrum.real**2 + spectrum.imag**2).sum(axis=0))

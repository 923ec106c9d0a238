"""Whether an insert breaks off: a false start, after which nothing of it is heard.

A take that opens like the plan and then is quiet agrees with it as far as it goes, and the room
that dies away agrees further. What tells is the level: at every moment at which the plan has
attacks it is held against what these should reach by their velocities, as loud as those before them
were heard. Held tones, rests and tones that die away have no attacks, so nothing is missed there.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from retro.measuring.identify import ExpectedAttack
from retro.measuring.listen import Sounding
from retro.model.sound import FloatArray
from retro.units import amplitude_to_db, nearest, samples_to_seconds, seconds_to_samples

HOP_S, FOLLOWED_S = 0.02, 0.3
"""Level is read in blocks of the first, for the second behind a moment."""

FOLLOWED_PERCENT = 70.0
"""Which of these levels counts: clicks that bleed are shorter than the rest."""

TOGETHER_S = 0.05
"""Attacks this close are one moment."""

SOUNDS_ON_S = 0.5
"""How long a tone may be heard behind its end."""

MIN_BEFORE, MIN_MISSING = 2, 3
"""Moments that are heard at least, and that are not."""

MISSING_DB, HIDDEN_DB, MIN_MISSING_DB = 35.0, 22.0, 12.0
"""How far below what is expected the moments lie that are not heard: the middle one, the same where
there is nothing but noise, and each of the louder half. From a loud tutti to one soft player is
20 dB more than velocities say (common practice)."""

DIED_AWAY_S, FLAT_DB = 1.5, 6.0
"""Once the room has died away nothing but noise is heard: nineteen of twenty levels lie at most so
far above the lowest fifth."""

QUIETEST = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class BreakOff:
    """Where an insert breaks off.

    Parameters
    ----------
    last_s
        When the last attacks that are heard are written.
    is_sure
        Whether nothing but noise is heard from there to the insert's last attack, and so far down
        that no music can hide in it.
    may_be_rest
        Whether the microphone may be close to players who only rest: they are heard to their end,
        and those who should play on were not heard before either.
    """

    last_s: float
    is_sure: bool
    may_be_rest: bool = False


def break_off(
    sounding: Sounding, attacks: Sequence[ExpectedAttack], *, late_s: float
) -> BreakOff | None:
    """Return where an insert breaks off; None where it is heard to its end.

    Parameters
    ----------
    attacks
        Those that the plan has in the take, in order of time.
    late_s
        About how late they are.
    """
    at_s, own_db, most_db = _moments(attacks)
    if len(at_s) < MIN_BEFORE + MIN_MISSING:
        return None
    levels_db = _levels_db(sounding, float(at_s[0]) + late_s, float(at_s[-1]) + late_s + FOLLOWED_S)
    first = np.rint((at_s - at_s[0]) / HOP_S).astype(int)
    behind = first[:, None] + np.arange(nearest(FOLLOWED_S / HOP_S))
    heard_db = np.percentile(levels_db[behind], FOLLOWED_PERCENT, axis=1)
    for missing in range(MIN_BEFORE, len(at_s) - MIN_MISSING + 1):
        gain_db = float(np.median((heard_db - most_db)[:missing]))
        below_db = own_db[missing:] + gain_db - heard_db[missing:]
        middle_db = float(np.median(below_db))
        is_loud = own_db[missing:] >= np.median(own_db[missing:])
        if below_db[is_loud].min() < MIN_MISSING_DB or middle_db < HIDDEN_DB:
            continue
        is_noise = _is_flat(levels_db[first[missing] + nearest(DIED_AWAY_S / HOP_S) :])
        if is_noise or middle_db >= MISSING_DB:
            is_sure = is_noise and middle_db >= MISSING_DB
            return BreakOff(last_s=float(at_s[missing - 1]), is_sure=is_sure)
    return None


def _moments(attacks: Sequence[ExpectedAttack]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return when attacks begin together, and the level of these and of all that may sound there.

    Levels are in dB over one stroke of velocity 1.
    """
    on_s = np.array([attack.at_s for attack in attacks])
    weights = np.array([attack.weight for attack in attacks])
    off_s = on_s + [attack.length_s + SOUNDS_ON_S for attack in attacks]
    firsts: list[int] = []
    for index, start_s in enumerate(on_s):
        if not firsts or start_s - on_s[firsts[-1]] > TOGETHER_S:
            firsts.append(index)
    at_s = on_s[firsts]
    own = np.add.reduceat(weights, firsts)
    begun = np.concatenate(([0.0], np.cumsum(weights)))
    order = np.argsort(off_s)
    ended = np.concatenate(([0.0], np.cumsum(weights[order])))
    most = (
        begun[np.searchsorted(on_s, at_s + FOLLOWED_S, side="right")]
        - ended[np.searchsorted(off_s[order], at_s)]
    )
    return at_s, 10.0 * np.log10(own), 10.0 * np.log10(np.maximum(most, own))


def _levels_db(sounding: Sounding, start_s: float, end_s: float) -> FloatArray:
    """Return the level of blocks of `HOP_S`, from one time to a little after another."""
    block = seconds_to_samples(HOP_S, sounding.rate)
    count = int(np.ceil((end_s - start_s) / HOP_S)) + 1
    many = nearest(1.0 / HOP_S)
    found = []
    for first in range(0, count, many):
        from_s = start_s + float(samples_to_seconds(first * block, sounding.rate))
        heard = sounding.span(from_s, many * block).reshape(many, block)
        found.append(np.sqrt(np.mean(heard**2, axis=1)))
    return np.array([amplitude_to_db(max(float(one), QUIETEST)) for one in np.concatenate(found)])


def _is_flat(levels_db: FloatArray) -> bool:
    if len(levels_db) < nearest(SOUNDS_ON_S / HOP_S):
        return False
    low_db, high_db = np.percentile(levels_db, [20, 95])
    return bool(high_db - low_db <= FLAT_DB)

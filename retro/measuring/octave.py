"""Whether a take sounds an octave below or above the plan, which its pitch classes cannot tell.

A tone has all partials of its upper octave, and odd ones besides. So of every long note the odd
partials are looked for that the octave above it would not have, nor any note with it: those of the
octave below the plan, those of the plan, and those of the octave above. How far the clearest of
them stands out is compared with the same at neighbouring pitches, which is chance. Where those of
the octave below stand out about as far as the plan's, the music lies there; where the plan's do
not, and those of the octave above do, it lies there. Notes that others double in octaves say
nothing, and so do bars, bells, skins, and organs, whose stops are in octaves.

Conventions
-----------
Times are insert time in seconds, pitches MIDI numbers.
"""

from collections.abc import Iterator, Sequence, Set

import numpy as np

from retro.measuring.identify import ExpectedAttack
from retro.measuring.listen import Sounding
from retro.measuring.pitches import Spectrum, partials_hz, peaks, spectrum
from retro.model.sound import FloatArray

OCTAVE = 12
ODD = (1, 3, 5)
OTHER_PARTIALS = 10
NEIGHBOURS = (-3, -2, -1, 1, 2, 3)
"""Semitones to where chance is heard."""

SETTLED_S, LEAVING_S = 0.1, 0.04
"""What is left out at both ends of a note."""

MIN_LENGTH_S, MAX_LENGTH_S = 0.15, 1.0
"""How much of a note is heard."""

RINGING_S = 0.3
"""How long after its end another note is still there."""

MAX_NOTES, MIN_NOTES = 40, 6
"""How many notes are heard, the longest first, and how many say something at least."""

STANDS_DB, APART_DB = 10.0, 10.0
"""How far over chance odd partials stand out that are there, and how much further than those of
another octave at most, or at least. Made ensembles: where the plan is right its own 12 dB and
more and those below it 10 at most, 13 less than its own."""


def octaves_off(
    sounding: Sounding,
    attacks: Sequence[ExpectedAttack],
    *,
    late_s: float,
    others: Sequence[ExpectedAttack] = (),
) -> int:
    """Return how many octaves above the plan a take sounds: -1, 0 or 1; 0 where nobody can tell.

    Parameters
    ----------
    late_s
        How late the players are.
    others
        Attacks of players who are not asked for and may be heard.
    """
    every = (*attacks, *others)
    longest = sorted(
        (one for one in attacks if one.is_harmonic), key=lambda one: (-one.length_s, one.at_s)
    )
    over_db: dict[int, list[float]] = {-1: [], 0: [], 1: []}
    for one in longest[:MAX_NOTES]:
        start_s = one.at_s + SETTLED_S
        end_s = min(one.at_s + one.length_s - LEAVING_S, start_s + MAX_LENGTH_S)
        if end_s - start_s < MIN_LENGTH_S:
            continue
        heard = spectrum(sounding, start_s + late_s, end_s - start_s)
        sound = {
            other.pitch
            for other in every
            if other.at_s < end_s and other.at_s + other.length_s + RINGING_S > start_s
        }
        for octaves in over_db:
            over_db[octaves] += _over_chance_db(heard, one.pitch, sound, OCTAVE * octaves)
    if min(len(found) for found in over_db.values()) < MIN_NOTES:
        return 0
    below, own, above = (float(np.median(found)) for found in over_db.values())
    if below >= STANDS_DB and own - below < APART_DB:
        return -1
    return 1 if own < STANDS_DB <= above and above - own >= APART_DB else 0


def _over_chance_db(heard: Spectrum, pitch: int, sound: Set[int], by: int) -> Iterator[float]:
    """Yield how far a note's odd partials stand out if all sounds so much higher, if it is told."""
    above_hz = partials_hz([other + by + OCTAVE for other in sound], OTHER_PARTIALS)
    own, *chance = (
        _clearest_db(heard, pitch + by + semitones, above_hz) for semitones in (0, *NEIGHBOURS)
    )
    known = [one for one in chance if one is not None]
    if own is not None and known:
        yield own - float(np.mean(known))


def _clearest_db(heard: Spectrum, pitch: int, taken_hz: FloatArray) -> float | None:
    found = peaks(heard, pitch, taken_hz, ODD)
    return max((peak.prominence_db for peak in found), default=None)

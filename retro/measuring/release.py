"""When the players of one microphone let go at the end: whether a take stops early.

The level before the last release is taken where tones are held. How it falls from there is read at
several depths, and the release is the mean of when it is last above each of them: the beats of a
section dip by 3 dB and more, but not by all of them at once. The room keeps the level up for a
while longer; what a microphone hears anyway is what it hears in the other takes.
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from retro.measuring.listen import Sounding
from retro.model.instruments import Sound
from retro.model.orchestra import by_id
from retro.model.sound import FloatArray
from retro.read.plan_file import PlanFile
from retro.units import seconds_to_samples

HOP_S, WINDOW_S = 0.005, 0.04
HELD_S = (0.75, 0.35)
"""What is taken for the held level: so long before the release."""

SPEAKING_S = 0.15
"""How long a tone is not yet held."""

SEARCH_S = 0.7
FALLEN_DB = (4.0, 5.0, 6.0, 7.0, 8.0)
MIN_HELD_S = HELD_S[0] + SPEAKING_S
"""A tone that is shorter has no held level."""

MIN_EARLY_S = 0.17
"""How early a release is told, in the middle of all microphones."""

MIN_OWN_S = 0.2
"""The same where two microphones alone say so: some let go, and the others do not."""

USUAL_S = (-0.35, 0.08)
"""How early at most the other takes may say that a release is heard in a microphone anyway: late by
the room, early where the tones die away before they end. One that hears it later than the first of
these does not hear it at all."""

USUAL_PERCENT = 30.0
"""Which share of the other takes are earlier: they may have let go early themselves."""

MIN_MICROPHONES = 2
"""How many microphones have to hear it."""


class Tone(NamedTuple):
    """When a tone is written to begin and to end, in insert time, and whether it can be held."""

    on_s: float
    off_s: float
    is_sustained: bool


def written_tones(plan: PlanFile, parts: tuple[int, ...] = ()) -> list[Tone]:
    """Return the tones that some players are written; all players' if `parts` is empty."""
    seconds_at = plan.insert_tempo.seconds_at
    return [
        Tone(
            on_s=float(seconds_at(note.written_on_beats)),
            off_s=float(seconds_at(note.written_off_beats)),
            is_sustained=by_id(plan.parts[note.part].instrument).sound is Sound.SUSTAINED,
        )
        for note in plan.notes
        if not parts or note.part in parts
    ]


def held_end_s(plan: PlanFile, parts: tuple[int, ...]) -> float | None:
    """Return where some players' last tones are written to end; None where these are not held.

    Parameters
    ----------
    parts
        Whose; all if empty.
    """
    own = written_tones(plan, parts)
    if not own:
        return None
    end_s = max(tone.off_s for tone in own)
    last = [tone for tone in own if tone.off_s > end_s - HELD_S[1]]
    held_s = min(end_s - tone.on_s for tone in last)
    are_sustained = all(tone.is_sustained for tone in last)
    return end_s if are_sustained and held_s >= MIN_HELD_S else None


def early_by_s(sounding: Sounding, end_s: float, *, lateness_s: float) -> float | None:
    """Return how much earlier than expected held tones are let go; negative is later.

    Parameters
    ----------
    end_s
        Where they are written to end.
    lateness_s
        How late the players are.

    Returns
    -------
    Seconds; None where nothing is held there.
    """
    start_s = end_s + lateness_s - HELD_S[0] - WINDOW_S
    count = int((HELD_S[0] + SEARCH_S) / HOP_S)
    level = _levels_db(sounding, start_s, count)
    at_s = np.arange(count) * HOP_S - HELD_S[0] - WINDOW_S / 2.0
    held = level[(at_s >= -HELD_S[0]) & (at_s < -HELD_S[1])]
    if not np.isfinite(held).all():
        return None
    above = [np.flatnonzero(level >= np.median(held) - fallen_db) for fallen_db in FALLEN_DB]
    return -float(np.mean([at_s[each[-1]] for each in above]))


def early_together_s(
    heard_s: Mapping[str, float], others: Sequence[Mapping[str, float]]
) -> float | None:
    """Return how much too early the players let go; None where too few microphones say so.

    Parameters
    ----------
    heard_s
        What each microphone says.
    others
        The same of every other take: what they hear anyway is taken off.
    """
    early = []
    for microphone, by_s in heard_s.items():
        known = [other[microphone] for other in others if microphone in other]
        usual_s = float(np.percentile(known, USUAL_PERCENT)) if known else 0.0
        if (usual_s if known else by_s) >= USUAL_S[0]:
            early.append(by_s - min(usual_s, USUAL_S[1]))
    own = [by_s for by_s in early if by_s >= MIN_OWN_S]
    if len(early) >= MIN_MICROPHONES and np.median(early) >= MIN_EARLY_S:
        return float(np.median(early))
    return float(np.median(own)) if len(own) >= MIN_MICROPHONES else None


def _levels_db(sounding: Sounding, start_s: float, count: int) -> FloatArray:
    hop, size = (seconds_to_samples(length, sounding.rate) for length in (HOP_S, WINDOW_S))
    heard = sounding.span(start_s, count * hop + size)
    window = np.hanning(size)
    frames = np.lib.stride_tricks.sliding_window_view(heard, size)[: count * hop : hop]
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(frames**2 @ window / window.sum()))

"""When the players of one microphone let go at the end: whether a take stops early.

The level before the last release is taken where tones are held; the release is the last moment at
which it is still within `FALLEN_DB` of that. The room keeps it up for a while longer, so that what
is heard is late rather than early: a release that is heard early was early.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from retro.measuring.listen import Sounding
from retro.model.instruments import Sound
from retro.model.orchestra import by_id
from retro.model.sound import FloatArray
from retro.read.plan_file import PlanFile
from retro.units import seconds_to_samples

HOP_S, WINDOW_S = 0.005, 0.04
HELD_S = (0.75, 0.35)
"""What is taken for the held level: so long before the release, or less where tones are shorter."""

SPEAKING_S = 0.15
"""How long a tone is not yet held."""

SEARCH_S = 0.7
FALLEN_DB = 3.0
MIN_HELD_S = 0.65
"""A tone that is shorter has no held level."""

MIN_EARLY_S = 0.16
"""How early a release is told. A made orchestra in a room of 1.4 s: 0.2 s and more in all of 81
takes, under 0.1 s in 1 of 54."""

USUAL_S = (-0.25, 0.08)
"""How early at most the other takes may say that a release is heard in a microphone anyway: late by
the room, early where the tones die away before they end."""

MIN_MICROPHONES = 2
"""How many microphones have to agree."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldEnd:
    """The end of some players' last tones.

    Parameters
    ----------
    end_s
        Where it is written, insert time.
    held_s
        How long the shortest of them is held until then.
    """

    end_s: float
    held_s: float


def held_end(plan: PlanFile, parts: tuple[int, ...]) -> HeldEnd | None:
    """Return where some players' last tones are written to end; None where these are not held.

    Parameters
    ----------
    parts
        Whose; all if empty.
    """
    seconds_at = plan.insert_tempo.seconds_at
    own = [
        (float(seconds_at(note.written_on_beats)), float(seconds_at(note.written_off_beats)), note)
        for note in plan.notes
        if not parts or note.part in parts
    ]
    if not own:
        return None
    end_s = max(off_s for _, off_s, _ in own)
    last = [(on_s, note) for on_s, off_s, note in own if off_s > end_s - HELD_S[1]]
    held_s = min(end_s - on_s for on_s, _ in last)
    are_sustained = all(
        by_id(plan.parts[note.part].instrument).sound is Sound.SUSTAINED for _, note in last
    )
    return HeldEnd(end_s=end_s, held_s=held_s) if are_sustained and held_s >= MIN_HELD_S else None


def early_by_s(sounding: Sounding, end: HeldEnd, *, lateness_s: float) -> float | None:
    """Return how much earlier than expected held tones are let go; negative is later.

    Parameters
    ----------
    end
        Where they are written to end.
    lateness_s
        How late the players are.

    Returns
    -------
    Seconds; None where nothing is held there.
    """
    from_s = -min(HELD_S[0], end.held_s - SPEAKING_S)
    start_s = end.end_s + lateness_s - HELD_S[0] - WINDOW_S
    count = int((HELD_S[0] + SEARCH_S) / HOP_S)
    level = _levels_db(sounding, start_s, count)
    at_s = np.arange(count) * HOP_S - HELD_S[0] - WINDOW_S / 2.0
    held = level[(at_s >= from_s) & (at_s < -HELD_S[1])]
    if not len(held) or not np.isfinite(held).all():
        return None
    above = np.flatnonzero(level >= np.median(held) - FALLEN_DB)
    return -float(at_s[above[-1]]) if len(above) else None


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
        usual_s = float(np.clip(np.median(known), *USUAL_S)) if known else 0.0
        if by_s - usual_s >= MIN_EARLY_S:
            early.append(by_s - usual_s)
    return float(np.median(early)) if len(early) >= MIN_MICROPHONES else None


def _levels_db(sounding: Sounding, start_s: float, count: int) -> FloatArray:
    hop, size = (seconds_to_samples(length, sounding.rate) for length in (HOP_S, WINDOW_S))
    heard = sounding.span(start_s, count * hop + size)
    window = np.hanning(size)
    frames = np.lib.stride_tricks.sliding_window_view(heard, size)[: count * hop : hop]
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(frames**2 @ window / window.sum()))

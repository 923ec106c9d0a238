"""When the players of one microphone let go at the end: whether a take stops early.

The level before the last release is taken where tones are held; the release is the last moment at
which it is still within `FALLEN_DB` of that. The room keeps it up for a while longer, so that what
is heard is late rather than early: a release that is heard early was early.
"""

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

SEARCH_S = 0.7
FALLEN_DB = 3.0
MIN_HELD_S = 0.9
"""A tone that is shorter has no held level."""

MIN_EARLY_S = 0.13
"""How early a release is told. Made ensembles, rooms to 1.4 s: on time it was heard 0.05 s early to
0.1 s late, 0.1 s early at most 0.11 s early."""

MIN_MICROPHONES = 2
"""How many microphones have to agree."""


def held_until_s(plan: PlanFile, parts: tuple[int, ...]) -> float | None:
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
    are_held = all(
        off_s - on_s >= MIN_HELD_S
        and by_id(plan.parts[note.part].instrument).sound is Sound.SUSTAINED
        for on_s, off_s, note in own
        if off_s > end_s - HELD_S[1]
    )
    return end_s if are_held else None


def early_by_s(sounding: Sounding, release_s: float) -> float | None:
    """Return how much earlier than expected a held tone is let go; negative is later.

    Parameters
    ----------
    release_s
        Where it is expected, lateness included.

    Returns
    -------
    Seconds; None where nothing is held there.
    """
    start_s = release_s - HELD_S[0] - WINDOW_S
    count = int((HELD_S[0] + SEARCH_S) / HOP_S)
    level = _levels_db(sounding, start_s, count)
    at_s = np.arange(count) * HOP_S - HELD_S[0] - WINDOW_S / 2.0
    held = level[(at_s >= -HELD_S[0]) & (at_s < -HELD_S[1])]
    if not len(held) or not np.isfinite(held).all():
        return None
    above = np.flatnonzero(level >= np.median(held) - FALLEN_DB)
    return -float(at_s[above[-1]]) if len(above) else None


def _levels_db(sounding: Sounding, start_s: float, count: int) -> FloatArray:
    hop, size = (seconds_to_samples(length, sounding.rate) for length in (HOP_S, WINDOW_S))
    heard = sounding.span(start_s, count * hop + size)
    window = np.hanning(size)
    frames = np.lib.stride_tricks.sliding_window_view(heard, size)[: count * hop : hop]
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(frames**2 @ window / window.sum()))

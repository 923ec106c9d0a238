"""Whether the insert lies in a take where it is told to: heard before anything is made of it.

A take of many microphones is heard through few of them: those that hear all and are loudest, until
one is sure. What they say is one of three things.

- The insert lies there: `Verdict.doubt` is None.
- It may, and nobody can tell: the doubt says why in one line.
- It does not: a `TakeError` says what was found, and where the insert seems to lie.
"""

import os
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from retro.errors import AudioError, TakeError
from retro.measuring.broken import BreakOff, break_off
from retro.measuring.doubt import doubt_of
from retro.measuring.identify import Match, match_plan
from retro.measuring.listen import HeardTake, hear_take
from retro.measuring.microphones import Microphone, break_in, expected_attacks, inside
from retro.measuring.search import MAX_SEARCH_S
from retro.read.plan_file import PlanFile
from retro.units import amplitude_to_db, db_to_amplitude, samples_to_seconds, seconds_to_samples

MAX_HEARD = 3
"""How many microphones are listened to at most."""

PROBES, PROBE_SAMPLES = 8, 4_096
"""Places of the phrase at which a microphone's level is read, and how much there."""

SILENT_DBFS = -85.0
"""A phrase that stays below this is silence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What was heard.

    Parameters
    ----------
    microphone
        File name of the one that was the surest; empty where none could be heard.
    match
        What it says, or None where none could be heard.
    doubt
        Why it is not sure that the insert lies there; None where it is.
    """

    microphone: str
    match: Match | None
    doubt: str | None


def verify_insert(
    microphones: Sequence[Microphone],
    plan: PlanFile,
    *,
    expected_s: float = 0.0,
    search_s: float = MAX_SEARCH_S,
) -> Verdict:
    """Return whether the insert lies where the microphones' phrase starts say.

    Parameters
    ----------
    expected_s
        How late the players are known to be.
    search_s
        How far from there the insert is looked for where it does not lie there.

    Raises
    ------
    TakeError
        If the take is silent there, is another insert, or has this one elsewhere.
    """
    attacks = expected_attacks(plan)
    heard: list[tuple[HeardTake, Match]] = []
    ranked = _ranked(microphones, plan)
    for microphone in ranked[:MAX_HEARD]:
        try:
            take = hear_take(microphone.path, phrase_start_samples=microphone.phrase_start_samples)
            refuse_silent(take, plan)
            own = inside(take, attacks)
            match = match_plan(take, own, expected_s=expected_s) if own else None
        except AudioError:
            continue
        if match is not None:
            heard.append((take, match))
            if match.is_this_insert:
                break
    if not heard:
        unheard = "no attack of the plan can be heard in the files"
        return Verdict(
            microphone="", match=None, doubt=unheard if ranked else _deaf_to(microphones)
        )
    take, match = max(heard, key=lambda one: (one[1].is_this_insert, one[1].over_chance))
    found = _break_in(take, microphones, plan, late_s=match.late_s) if match.opens_here else None
    doubt = doubt_of(
        take,
        plan,
        inside(take, attacks),
        match,
        expected_s=expected_s,
        search_s=search_s,
        broken=found,
    )
    return Verdict(microphone=take.path.name, match=match, doubt=doubt)


def _deaf_to(microphones: Sequence[Microphone]) -> str:
    """Return why no microphone was listened to."""
    try:
        hear_take(microphones[0].path)
    except AudioError as refusal:
        return str(refusal)
    return "no file can be decoded here"


def _break_in(
    take: HeardTake, microphones: Sequence[Microphone], plan: PlanFile, *, late_s: float
) -> BreakOff | None:
    """Return where the insert breaks off in a take; None where any microphone hears it go on."""
    broken = break_in(take, plan, late_s=late_s)
    if broken is None:
        return None
    for microphone in microphones:
        if microphone.path == take.path:
            continue
        try:
            other = hear_take(microphone.path, phrase_start_samples=microphone.phrase_start_samples)
            own = inside(other, expected_attacks(plan, microphone.parts))
            goes_on = own and break_off(other, own, late_s=late_s) is None
            if goes_on and match_plan(other, own, expected_s=late_s).is_this_insert:
                return None
        except AudioError:
            continue
    return broken


def refuse_silent(take: HeardTake, plan: PlanFile) -> None:
    """Refuse a phrase that is silent.

    Raises
    ------
    TakeError
        If it stays below `SILENT_DBFS`.
    """
    loudest, second = 0.0, take.rate
    for start in range(0, seconds_to_samples(plan.length_s, take.rate), second):
        heard = take.span(float(samples_to_seconds(start, take.rate)), second)
        loudest = max(loudest, float(np.sqrt(np.mean(heard**2))))
    if amplitude_to_db(loudest) < SILENT_DBFS:
        raise TakeError(
            f"the phrase is silent: it stays below {SILENT_DBFS:g} dBFS",
            where=take.path.name,
            advice="check the file and the phrase start",
        )


def best_microphones(microphones: Sequence[Microphone], plan: PlanFile) -> list[Microphone]:
    """Return the few microphones of many that say how late a take is.

    Those that hear all, at most `MAX_HEARD`; where none does, the loudest twice as many.

    Raises
    ------
    TakeError
        If none can be decoded.
    """
    ranked = _ranked(microphones, plan)
    if not ranked:
        raise TakeError(
            "no file of the take can be decoded, so nothing can be measured",
            advice="state the lateness with --late-ms",
        )
    hearing_all = [microphone for microphone in ranked if not microphone.parts]
    return hearing_all[:MAX_HEARD] or ranked[: 2 * MAX_HEARD]


def _ranked(microphones: Sequence[Microphone], plan: PlanFile) -> list[Microphone]:
    """Return the microphones that can be heard: those that hear all first, then the loudest."""
    levels = {}
    for index, microphone in enumerate(microphones):
        level = _level(microphone, plan)
        if level is not None:
            levels[index] = level
    quiet = db_to_amplitude(SILENT_DBFS)
    order = sorted(
        levels,
        key=lambda at: (levels[at] < quiet, bool(microphones[at].parts), -levels[at]),
    )
    return [microphones[index] for index in order]


def _level(microphone: Microphone, plan: PlanFile) -> float | None:
    """Return the greatest amplitude of a few places of the phrase; None where none is read."""
    import soundfile  # noqa: PLC0415 (takes 0.1 s that placing need not wait for)

    greatest = 0.0
    try:
        with soundfile.SoundFile(os.fsencode(microphone.path)) as file:
            length = seconds_to_samples(plan.length_s, file.samplerate)
            for place in range(PROBES):
                first = microphone.phrase_start_samples + (2 * place + 1) * length // (2 * PROBES)
                if not 0 <= first < file.frames:
                    continue
                file.seek(first)
                block = file.read(PROBE_SAMPLES, dtype="float32", always_2d=True)
                greatest = max(greatest, float(np.sqrt(np.mean(block**2, axis=0)).max()))
    except (soundfile.LibsndfileError, RuntimeError, OSError):
        return None
    return greatest if np.isfinite(greatest) else None

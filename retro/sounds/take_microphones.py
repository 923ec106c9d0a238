"""The microphones of a take that figures are learned from: whole, in place, and how late."""

import os
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import soundfile

from retro.errors import AudioError, RetroError, TakeError
from retro.measuring.listen import HeardTake, hear_take, undecodable
from retro.measuring.microphones import Microphone, hear_microphone, lateness_of
from retro.measuring.verify import best_microphones, refuse_silent
from retro.read.plan_file import PlanFile
from retro.sounds.learning import CLIPPED, MAX_CLIPPED
from retro.units import ms_to_seconds

BLOCK_FRAMES = 1 << 18


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeMicrophone:
    """A microphone that is listened to.

    Parameters
    ----------
    take
        Its file.
    late_s
        How late the players are heard in it.
    parts
        Whom it is close to; empty where it hears all.
    over_chance
        By how many deviations the passage is heard there; None where nobody listened.
    doubt
        Why it may not be the passage, or None.
    """

    take: HeardTake
    late_s: float
    parts: tuple[int, ...]
    over_chance: float | None
    doubt: str | None

    @property
    def name(self) -> str:
        """The file's."""
        return self.take.path.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Listened:
    """The microphones that are listened to, and why others that hear all are not."""

    microphones: tuple[TakeMicrophone, ...]
    left_out: tuple[str, ...]


def listened(microphones: Sequence[Microphone], plan: PlanFile, *, unheard: bool) -> Listened:
    """Return the microphones of sections, and the best of those that hear all.

    Parameters
    ----------
    unheard
        Whether the passage is taken to lie where it is told.

    Raises
    ------
    TakeError
        If that of a section, or every one that hears all, is silent, clipped or of something else,
        or nothing in it says how late it is.
    AudioError
        If it cannot be read.
    """
    whole = [one for one in best_microphones(microphones, plan) if not one.parts]
    found = [_opened(one, plan, unheard=unheard) for one in microphones if one.parts]
    refused: list[RetroError] = []
    for one in whole:
        try:
            found.append(_opened(one, plan, unheard=unheard))
        except (TakeError, AudioError) as refusal:
            refused.append(refusal)
    if refused and len(refused) == len(whole):
        raise refused[0]
    return Listened(microphones=tuple(found), left_out=tuple(str(each) for each in refused))


def readers(microphones: Sequence[TakeMicrophone], plan: PlanFile) -> dict[int, list[int]]:
    """Return the microphones, by their index, that each part is read in: the closest."""
    found = {}
    for part in plan.parts:
        hearing = {
            at: len(one.parts) or len(plan.parts) + 1
            for at, one in enumerate(microphones)
            if not one.parts or part.index in one.parts
        }
        if hearing:
            closest = min(hearing.values())
            found[part.index] = [at for at, rank in hearing.items() if rank == closest]
    return found


def _opened(microphone: Microphone, plan: PlanFile, *, unheard: bool) -> TakeMicrophone:
    take = hear_take(microphone.path, phrase_start_samples=microphone.phrase_start_samples)
    _refuse_clipped(take)
    refuse_silent(take, plan)
    if unheard:
        return TakeMicrophone(
            take=take,
            late_s=_late_s(take, plan, microphone.parts),
            parts=microphone.parts,
            over_chance=None,
            doubt="nobody listened whether the passage lies there (--unheard)",
        )
    heard = hear_microphone(take, plan, microphone.parts)
    return TakeMicrophone(
        take=take,
        late_s=ms_to_seconds(heard.said.lateness_ms),
        parts=microphone.parts,
        over_chance=heard.said.over_chance,
        doubt=heard.doubt,
    )


def _late_s(take: HeardTake, plan: PlanFile, parts: tuple[int, ...]) -> float:
    """Return how late a take is that is said to lie where it is told."""
    lateness = lateness_of(take, plan, parts, coarse_s=0.0)
    if lateness is None:
        raise TakeError(
            "no attack stands out clearly enough to say how late it is",
            where=take.path.name,
            advice="learn from a closer microphone",
        )
    return lateness.common_s


def _refuse_clipped(take: HeardTake) -> None:
    clipped = 0
    try:
        with soundfile.SoundFile(os.fsencode(take.path)) as file:
            for block in file.blocks(BLOCK_FRAMES, dtype="float32", always_2d=True):
                clipped += int(np.count_nonzero(np.abs(block) >= CLIPPED))
    except (soundfile.LibsndfileError, RuntimeError) as fault:
        raise undecodable(take.path, fault) from fault
    if clipped > MAX_CLIPPED:
        raise TakeError(
            "is clipped: it is too loud", where=take.path.name, advice="record it 6 dB lower"
        )

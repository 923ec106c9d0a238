"""What compensation is worth: onset and landing errors before it, after it, and on paper.

Conventions
-----------
Errors are milliseconds, heard minus wanted; means and worst are of their absolute values. The tone
of a struck instrument that nobody shapes has no onset to judge.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from retro.model.performance import Performance, PlayedNote
from retro.model.settings import Compensate
from retro.placement.anchor import group_at, landings_of
from retro.reversal.compensate import perform
from retro.reversal.target_tones import ToneFigures


@dataclass(frozen=True, slots=True, kw_only=True)
class Errors:
    """Errors of some notes in milliseconds; None where no note has one."""

    mean_onset_ms: float | None
    worst_onset_ms: float | None
    mean_landing_ms: float | None
    worst_landing_ms: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One part three times: the plain mirror, the exact performance, and what stands on paper.

    `player` is None for all parts together. What is on paper is taken after the placement's shift.
    """

    player: str | None
    notes: int
    plain: Errors
    played: Errors
    written: Errors


def compare(performance: Performance) -> tuple[Comparison, ...]:
    """Compare part by part, then all parts together.

    The plain mirror is what a phrase gives that is played backwards without any correction; a
    struck part that shall land on its starts is taken to land on its ends there, which is the best
    that can be said for it.
    """
    plain = compensated(performance, Compensate.NONE)
    shift_ms = written_shift_ms(performance)
    rows = [
        _comparison(plain.notes, performance.notes, shift_ms, part, performance.players[part].name)
        for part in sorted({note.part for note in performance.notes})
    ]
    everything = _comparison(plain.notes, performance.notes, shift_ms, None, None)
    return (*rows, everything)


def compensated(performance: Performance, what: Compensate) -> Performance:
    """Return the performance of the same target and sampler with another compensation."""
    settings = replace(performance.settings, compensate=what)
    sampler = ToneFigures(
        attack_s=np.array([note.attack_s for note in performance.notes]),
        decay_s=np.array([note.decay_s for note in performance.notes]),
    )
    return perform(performance.target, performance.players, settings, sampler=lambda _: sampler)


def played_errors(notes: Sequence[PlayedNote], shift_ms: float = 0.0) -> Errors:
    """Sum up the exact performance, once the clip is moved by `shift_ms`."""
    return _errors(notes, lambda n: n.onset_error_ms, lambda n: n.landing_error_ms, shift_ms)


def written_errors(notes: Sequence[PlayedNote], shift_ms: float) -> Errors:
    """Sum up a performance of what is written, once the clip is moved by `shift_ms`."""
    return _errors(
        notes, lambda n: n.written_onset_error_ms, lambda n: n.written_landing_error_ms, shift_ms
    )


def written_shift_ms(performance: Performance) -> float:
    """Return the shift that the placement takes from the last landing as written."""
    group = group_at(landings_of(performance))
    return 0.0 if group is None else group.shift_ms


def _comparison(
    plain: Sequence[PlayedNote],
    played: Sequence[PlayedNote],
    shift_ms: float,
    part: int | None,
    player: str | None,
) -> Comparison:
    before = [note for note in plain if part in (None, note.part)]
    after = [note for note in played if part in (None, note.part)]
    return Comparison(
        player=player,
        notes=len(after),
        plain=played_errors(before),
        played=played_errors(after),
        written=written_errors(after, shift_ms),
    )


def _errors(
    notes: Sequence[PlayedNote],
    onset: Callable[[PlayedNote], float | None],
    landing: Callable[[PlayedNote], float | None],
    shift_ms: float,
) -> Errors:
    onsets = [abs(ms + shift_ms) for note in notes if (ms := onset(note)) is not None]
    landings = [abs(ms + shift_ms) for note in notes if (ms := landing(note)) is not None]
    return Errors(
        mean_onset_ms=sum(onsets) / len(onsets) if onsets else None,
        worst_onset_ms=max(onsets, default=None),
        mean_landing_ms=sum(landings) / len(landings) if landings else None,
        worst_landing_ms=max(landings, default=None),
    )

"""What a take says: how late the players were, where it would land, and what the room is like.

Lateness is positive. *Late* is against what is written; *lands late* is against the target and is
what `retro place` takes as the measured lateness. Where a number cannot be known it is None, and a
finding says why.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from retro.errors import TakeError
from retro.measuring.decay import RoomDecay, measure_decay
from retro.measuring.identify import ExpectedAttack, Match, match_plan
from retro.measuring.lateness import Heard, Lateness, hear_lateness
from retro.measuring.listen import HeardTake, hear_take
from retro.model.findings import FindingKind
from retro.model.performance import Finding, Severity
from retro.model.sound import FloatArray
from retro.model.statistics import weighted_median
from retro.read.plan_file import PlanFile
from retro.units import (
    amplitude_to_db,
    ms_to_seconds,
    samples_to_seconds,
    seconds_to_ms,
    seconds_to_samples,
)

SILENT_DBFS = -85.0
"""A phrase that stays below this is silence."""

MIN_TO_TELL, MIN_FOR_SPREAD, MIN_FOR_DRIFT = 8, 4, 8
MIN_FOR_DRIFT_S = 2.0
METHOD_MS = 2.0
"""What the method itself leaves open at 20 dB signal to noise (measured on synthesised takes)."""

WET_METHOD_MS = 10.0
WET_S = 1.0
"""What it leaves open, and the reverberation time from which the room makes it so."""

TOGETHER_S = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """What one take says.

    Parameters
    ----------
    name, rate
        File name and frames a second.
    late_ms, sure_ms
        Common lateness against what is written, and how far it may be off (two standard errors
        and the method's own).
    spread_ms
        Standard deviation of single attacks from the middle half, or None with too few.
    drift_ms
        Lateness at the phrase's end minus at its start, or None with too few.
    lands_late_ms
        Common lateness against the target: the shift that this take needs.
    predicted_ms
        The shift that the plan foresaw.
    shift_samples
        `lands_late_ms` at the take's rate.
    clip_lands_ms
        For a flipped clip: how late it lands if laid at the stated place; else None.
    attacks, heard
        Expected attacks, and how many could be told apart.
    agreement
        Share of the plan's attacks that the take shows at one common lateness, 0 to 1.
    decay
        What the room is like, or None.
    findings
        What could not be known, and why.
    """

    name: str
    rate: int
    late_ms: float
    sure_ms: float
    spread_ms: float | None
    drift_ms: float | None
    lands_late_ms: float
    predicted_ms: float
    shift_samples: int
    clip_lands_ms: float | None
    attacks: int
    heard: int
    agreement: float
    decay: RoomDecay | None
    findings: tuple[Finding, ...]


def measure_take(path: Path, plan: PlanFile, *, phrase_start_samples: int = 0) -> Measurement:
    """Measure a take.

    Parameters
    ----------
    phrase_start_samples
        Take frame of the insert's bar 1 beat 1.

    Raises
    ------
    AudioError
        If it cannot be read as audio.
    TakeError
        If it is silent, too short, or not this insert.
    """
    take = hear_take(path, phrase_start_samples=phrase_start_samples)
    return _measure(take, plan)


def measure_clip(
    path: Path, plan: PlanFile, *, tail_kept_samples: int | None = None
) -> Measurement:
    """Measure a flipped clip, and tell where it would land if laid at the plan's place.

    Parameters
    ----------
    tail_kept_samples
        Frames of the clip before the phrase's end, or None for the plan's.

    Raises
    ------
    AudioError, TakeError
        As for `measure_take`.
    """
    take = hear_take(path)
    if tail_kept_samples is None:
        planned_s = samples_to_seconds(plan.placement.tail_kept_samples, plan.placement.rate)
        tail_kept_samples = seconds_to_samples(planned_s, take.rate)
    clip = hear_take(path, flipped_tail_samples=tail_kept_samples, length_s=plan.length_s)
    return _measure(clip, plan)


def rank(measurements: list[Measurement]) -> list[Measurement]:
    """Order takes, the tightest first: by spread and drift, as what no shift can mend."""

    def looseness(one: Measurement) -> float:
        spread = one.sure_ms if one.spread_ms is None else one.spread_ms
        return float(np.hypot(spread, (one.drift_ms or 0.0) / 2.0))

    return sorted(measurements, key=lambda one: (looseness(one), one.name))


def expected_attacks(plan: PlanFile) -> tuple[ExpectedAttack, ...]:
    """Return the attacks of a plan as its written performance has them, unisons joined."""
    attacks: dict[tuple[int, int], ExpectedAttack] = {}
    for note in plan.notes:
        errors = (note.landing_error_ms, note.written_landing_error_ms)
        if note.lands_s is None or errors[0] is None or errors[1] is None:
            continue
        wanted_s = float(plan.length_s) - note.lands_s + ms_to_seconds(errors[0])
        at_s = wanted_s - ms_to_seconds(errors[1])
        length_s = max(note.played_off_s - note.played_on_s - note.attack_s, TOGETHER_S)
        key = (note.pitch, seconds_to_samples(at_s / TOGETHER_S, 1))
        weight = float(note.velocity**2)
        if key in attacks:
            weight += attacks[key].weight
            length_s = max(length_s, attacks[key].length_s)
        attacks[key] = ExpectedAttack(at_s=at_s, pitch=note.pitch, weight=weight, length_s=length_s)
    return tuple(sorted(attacks.values(), key=lambda attack: (attack.at_s, attack.pitch)))


def _measure(take: HeardTake, plan: PlanFile) -> Measurement:
    attacks = tuple(
        attack for attack in expected_attacks(plan) if take.start_s <= attack.at_s < take.end_s
    )
    _refuse_empty(take, plan, len(attacks))
    match = match_plan(take, attacks)
    _refuse_another(take, match)
    lateness = hear_lateness(
        take,
        attacks,
        coarse_s=match.late_s,
        room=plan.settings.room,
        onset_db=plan.settings.onset_db,
    )
    if lateness is None:
        raise TakeError(
            "no attack stands out clearly enough to say how late it is",
            where=take.path.name,
            advice="measure a closer microphone",
        )
    decay = measure_decay(take, plan.placement.last_release_s + lateness.common_s)
    return _summary(take, plan, attacks=len(attacks), match=match, lateness=lateness, decay=decay)


def _refuse_another(take: HeardTake, match: Match) -> None:
    if match.is_this_insert:
        return
    missing = match.missing_halves
    which = ("first", "second")[missing[0]] if len(missing) == 1 else None
    raise TakeError(
        "this does not sound like the insert of the plan"
        + (f": its {which} half is not there" if which else ""),
        where=take.path.name,
        advice="check the file, the plan and the phrase start",
    )


def _refuse_empty(take: HeardTake, plan: PlanFile, attacks: int) -> None:
    if take.length_samples == 0:
        raise TakeError("the file is empty", where=take.path.name)
    if not attacks:
        raise TakeError(
            "the phrase does not lie in this file",
            where=take.path.name,
            advice="check the phrase start",
        )
    loudest = 0.0
    second = take.rate
    for start in range(0, seconds_to_samples(plan.length_s, take.rate), second):
        heard = take.span(float(samples_to_seconds(start, take.rate)), second)
        loudest = max(loudest, float(np.sqrt(np.mean(heard**2))))
    if amplitude_to_db(loudest) < SILENT_DBFS:
        raise TakeError(
            f"the phrase is silent: it stays below {SILENT_DBFS:g} dBFS",
            where=take.path.name,
            advice="check the file and the phrase start",
        )


def _summary(
    take: HeardTake,
    plan: PlanFile,
    *,
    attacks: int,
    match: Match,
    lateness: Lateness,
    decay: RoomDecay | None,
) -> Measurement:
    late_ms = seconds_to_ms(lateness.common_s)
    heard = lateness.heard
    spread_ms = _spread_ms(heard)
    predicted_ms = 0.0 - weighted_median(
        [n.written_landing_error_ms for n in plan.notes if n.written_landing_error_ms is not None],
        [n.velocity**2 for n in plan.notes if n.written_landing_error_ms is not None],
    )
    lands_late_ms = late_ms + predicted_ms
    return Measurement(
        name=take.path.name,
        rate=take.rate,
        late_ms=late_ms,
        sure_ms=_sure_ms(spread_ms, len(heard), decay),
        spread_ms=spread_ms,
        drift_ms=_drift_ms(heard, float(plan.length_s)),
        lands_late_ms=lands_late_ms,
        predicted_ms=predicted_ms,
        shift_samples=seconds_to_samples(ms_to_seconds(lands_late_ms), take.rate),
        clip_lands_ms=plan.placement.shift_ms - lands_late_ms if take.flipped else None,
        attacks=attacks,
        heard=len(heard),
        agreement=match.agreement,
        decay=decay,
        findings=tuple(_findings(attacks, spread_ms, len(heard), decay)),
    )


def _spread_ms(heard: tuple[Heard, ...]) -> float | None:
    """Return the standard deviation that the attacks' middle half has in a normal distribution."""
    if len(heard) < MIN_FOR_SPREAD:
        return None
    low, high = np.percentile([seconds_to_ms(one.late_s) for one in heard], [25, 75])
    return float((high - low) / 1.349)


def _sure_ms(spread_ms: float | None, heard: int, decay: RoomDecay | None) -> float:
    """Two standard errors of a median, and what the method leaves open."""
    reverberation_s = decay.bands[0].reverberation_s if decay else None
    method_ms = WET_METHOD_MS if (reverberation_s or 0.0) > WET_S else METHOD_MS
    if spread_ms is None:
        return WET_METHOD_MS + seconds_to_ms(TOGETHER_S)
    return float(np.hypot(2.0 * 1.253 * spread_ms / np.sqrt(heard), method_ms))


def _drift_ms(heard: tuple[Heard, ...], length_s: float) -> float | None:
    """Median of the slopes between all pairs (Theil and Sen), over the whole phrase."""
    at_s: FloatArray = np.array([one.attack.at_s for one in heard])
    late_ms = np.array([seconds_to_ms(one.late_s) for one in heard])
    if len(heard) < MIN_FOR_DRIFT or np.ptp(at_s) < MIN_FOR_DRIFT_S:
        return None
    first, second = np.triu_indices(len(heard), 1)
    apart_s = at_s[second] - at_s[first]
    far = apart_s > 0.25 * np.ptp(at_s)
    slopes = (late_ms[second] - late_ms[first])[far] / apart_s[far]
    return float(np.median(slopes)) * length_s if len(slopes) else None


def _findings(
    attacks: int, spread_ms: float | None, heard: int, decay: RoomDecay | None
) -> list[Finding]:
    findings = []
    if attacks < MIN_TO_TELL:
        findings.append(
            _cannot(
                FindingKind.FEW,
                f"{attacks} attacks are too few to tell this insert from another one for sure",
                "listen to the take before you trust the figures",
            )
        )
    if spread_ms is None:
        findings.append(
            _cannot(
                FindingKind.SPREAD,
                f"only {heard} attacks stand apart: no spread",
                "more notes are needed",
            )
        )
    if decay is None:
        findings.append(
            _cannot(
                FindingKind.TAIL, "the take ends with its last release: no decay", "export the tail"
            )
        )
    elif decay.bands[0].reverberation_s is None:
        findings.append(
            _cannot(
                FindingKind.TAIL,
                f"the tail falls only {decay.bands[0].range_db:.0f} dB to its noise: no decay time",
                "35 dB are needed; use a quieter microphone or export more of the tail",
            )
        )
    elif (decay.bands[0].nonlinearity_permille or 0.0) > 10.0:
        findings.append(
            _cannot(
                FindingKind.TAIL,
                "the decay is no straight line, so its time is doubtful",
                "a last chord of few notes does this; take the time from another take too",
            )
        )
    return findings


def _cannot(kind: FindingKind, what: str, advice: str) -> Finding:
    return Finding(severity=Severity.NOTE, kind=kind, what=what, advice=advice)

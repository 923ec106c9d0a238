"""What a take says: how late the players were, where it would land, and what the room is like.

Lateness is one figure: how much later than written the players are heard, as
`retro.measuring.lateness` says exactly. Later is positive. Where a number cannot be known it is
None, and a finding says why.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from retro.errors import TakeError
from retro.measuring.decay import RoomDecay, measure_decay
from retro.measuring.groups import HeardGroup, middle_s
from retro.measuring.listen import HeardTake, hear_take
from retro.measuring.microphones import (
    Heard,
    Microphone,
    MicrophoneLateness,
    expected_attacks,
    hear_microphone,
)
from retro.measuring.settle import settled
from retro.measuring.verify import refuse_silent
from retro.model.findings import FindingKind
from retro.model.performance import Finding, Severity
from retro.model.sound import FloatArray
from retro.read.plan_file import PlanFile
from retro.units import (
    ms_to_seconds,
    samples_to_seconds,
    seconds_to_ms,
    seconds_to_samples,
)

MIN_FOR_SPREAD, MIN_FOR_DRIFT = 4, 8
MIN_FOR_DRIFT_S = 2.0
MAX_ANCHOR_DOUBT_MS = 20.0
"""The anchor's own lateness places the clip where it is known this well; else the whole take's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """What one take says.

    Parameters
    ----------
    name, rate
        File name, and frames a second.
    lateness_ms, lateness_uncertainty_ms
        Of the whole take, and how far it may be off (95 %).
    anchor_lateness_ms, anchor_lateness_uncertainty_ms
        Of the attacks that land on the clip's anchor; None where they cannot be told apart.
    spread_ms
        Standard deviation of groups of attacks from the middle half, or None with too few.
    drift_ms
        Lateness at the phrase's end minus at its start, or None with too few.
    shift_ms, shift_samples
        Where the clip goes from its plain place: the written shift and the lateness, the anchor's
        where it is known well.
    clip_lands_ms
        For a flipped clip: how late it lands if laid at the stated place; else None.
    attacks, heard
        Expected groups of attacks, and how many could be told apart.
    agreement
        Share of the plan's attacks that the take shows at one common lateness, 0 to 1.
    over_chance
        By how many deviations the plan fits better than the same attacks with shuffled pitches.
    microphones
        What every microphone says.
    decay
        What the room is like, or None.
    findings
        What could not be known, and why.
    """

    name: str
    rate: int
    lateness_ms: float
    lateness_uncertainty_ms: float
    anchor_lateness_ms: float | None
    anchor_lateness_uncertainty_ms: float | None
    spread_ms: float | None
    drift_ms: float | None
    shift_ms: float
    shift_samples: int
    clip_lands_ms: float | None
    attacks: int
    heard: int
    agreement: float
    over_chance: float
    microphones: tuple[MicrophoneLateness, ...]
    decay: RoomDecay | None
    findings: tuple[Finding, ...]

    @property
    def is_by_anchor(self) -> bool:
        """Whether the anchor's own lateness places the clip."""
        doubt_ms = self.anchor_lateness_uncertainty_ms
        return doubt_ms is not None and doubt_ms <= MAX_ANCHOR_DOUBT_MS

    @property
    def placing_ms(self) -> tuple[float, float]:
        """The lateness that places the clip, and how far it may be off (95 %)."""
        doubt_ms = self.anchor_lateness_uncertainty_ms
        if self.anchor_lateness_ms is None or doubt_ms is None or not self.is_by_anchor:
            return self.lateness_ms, self.lateness_uncertainty_ms
        return self.anchor_lateness_ms, doubt_ms


def measure_take(path: Path, plan: PlanFile, *, phrase_start_samples: int = 0) -> Measurement:
    """Measure a take in whose file bar 1 beat 1 of the insert is the frame `phrase_start_samples`.

    Raises
    ------
    AudioError
        If it cannot be read as audio.
    TakeError
        If it is silent, too short, or not this insert.
    """
    return measure_microphones(
        [Microphone(path=path, phrase_start_samples=phrase_start_samples)], plan, name=path.name
    )


def measure_microphones(
    microphones: Sequence[Microphone], plan: PlanFile, *, name: str
) -> Measurement:
    """Measure a take, which is printed as `name`, by all its microphones.

    Those that hear everyone say how late the take is; where there are none, the spot microphones
    together.

    Raises
    ------
    AudioError, TakeError
        As for `measure_take`, for the first file that is refused.
    """
    heard = []
    for microphone in microphones:
        take = hear_take(microphone.path, phrase_start_samples=microphone.phrase_start_samples)
        _refuse_empty(take, plan)
        heard.append(hear_microphone(take, plan, microphone.parts))
    return _summary(heard, plan, name=name)


def measure_clip(
    path: Path, plan: PlanFile, *, tail_kept_samples: int | None = None
) -> Measurement:
    """Measure a flipped clip, and tell where it would land if laid at the plan's place.

    `tail_kept_samples` are its frames before the phrase's end, None for the plan's.

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
    _refuse_empty(clip, plan)
    return _summary([hear_microphone(clip, plan)], plan, name=path.name)


def rank(measurements: list[Measurement]) -> list[Measurement]:
    """Order takes, the tightest first: by spread and drift, as what no shift can mend."""

    def looseness(one: Measurement) -> float:
        spread = one.lateness_uncertainty_ms if one.spread_ms is None else one.spread_ms
        return float(np.hypot(spread, (one.drift_ms or 0.0) / 2.0))

    return sorted(measurements, key=lambda one: (looseness(one), one.name))


def _refuse_empty(take: HeardTake, plan: PlanFile) -> None:
    if take.length_samples == 0:
        raise TakeError("the file is empty", where=take.path.name)
    if not any(take.start_s <= one.at_s < take.end_s for one in expected_attacks(plan)):
        raise TakeError(
            "the phrase does not lie in this file",
            where=take.path.name,
            advice="check the phrase start",
        )
    refuse_silent(take, plan)


def _summary(heard: Sequence[Heard], plan: PlanFile, *, name: str) -> Measurement:
    all_hear = [one for one in heard if not one.said.players] or list(heard)
    best = min(all_hear, key=lambda one: one.said.lateness_uncertainty_ms)
    groups = tuple(
        sorted((group for one in all_hear for group in one.groups), key=lambda g: g.group.at_s)
    )
    together = settled(groups, best.unheard)
    anchors = [one.anchor for one in all_hear if one.anchor is not None]
    spread_ms = _spread_ms(groups)
    decay = measure_decay(
        best.take, plan.placement.last_release_s + ms_to_seconds(best.said.lateness_ms)
    )
    one = Measurement(
        name=name,
        rate=best.take.rate,
        lateness_ms=seconds_to_ms(together.late_s),
        lateness_uncertainty_ms=max(
            seconds_to_ms(together.uncertainty_s), best.said.lateness_uncertainty_ms
        ),
        anchor_lateness_ms=seconds_to_ms(middle_s(anchors)) if anchors else None,
        anchor_lateness_uncertainty_ms=(
            seconds_to_ms(min(anchor.uncertainty_s for anchor in anchors)) if anchors else None
        ),
        spread_ms=spread_ms,
        drift_ms=_drift_ms(groups, float(plan.length_s)),
        shift_ms=0.0,
        shift_samples=0,
        clip_lands_ms=None,
        attacks=best.said.attacks,
        heard=best.said.heard,
        agreement=best.said.agreement,
        over_chance=best.said.over_chance,
        microphones=tuple(one.said for one in heard),
        decay=decay,
        findings=tuple(_findings(best.doubt, spread_ms, len(groups), decay)),
    )
    written_ms = plan.placement.shift_ms - seconds_to_ms(plan.settings.lateness_s or 0.0)
    shift_ms = written_ms + one.placing_ms[0]
    return replace(
        one,
        shift_ms=shift_ms,
        shift_samples=seconds_to_samples(ms_to_seconds(shift_ms), one.rate),
        clip_lands_ms=plan.placement.shift_ms - shift_ms if best.take.flipped else None,
    )


def _spread_ms(heard: tuple[HeardGroup, ...]) -> float | None:
    """Return the standard deviation that the attacks' middle half has in a normal distribution."""
    if len(heard) < MIN_FOR_SPREAD:
        return None
    low, high = np.percentile([seconds_to_ms(one.late_s) for one in heard], [25, 75])
    return float((high - low) / 1.349)


def _drift_ms(heard: tuple[HeardGroup, ...], length_s: float) -> float | None:
    """Median of the slopes between all pairs (Theil and Sen), over the whole phrase."""
    at_s: FloatArray = np.array([one.group.at_s for one in heard])
    late_ms = np.array([seconds_to_ms(one.late_s) for one in heard])
    if len(heard) < MIN_FOR_DRIFT or np.ptp(at_s) < MIN_FOR_DRIFT_S:
        return None
    first, second = np.triu_indices(len(heard), 1)
    apart_s = at_s[second] - at_s[first]
    far = apart_s > 0.25 * np.ptp(at_s)
    slopes = (late_ms[second] - late_ms[first])[far] / apart_s[far]
    return float(np.median(slopes)) * length_s if len(slopes) else None


def _findings(
    doubt: str | None, spread_ms: float | None, heard: int, decay: RoomDecay | None
) -> list[Finding]:
    findings = []
    if doubt is not None:
        advice = "listen to the take before you trust the figures"
        findings.append(_cannot(FindingKind.FEW, doubt, advice))
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
    elif not decay.bands[0].is_straight:
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

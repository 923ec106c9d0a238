"""What `retro flip` knows of an insert: where it lies, whether it is heard there, how late."""

from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from retro.cli.tables import print_lines
from retro.errors import SettingsError, TakeError
from retro.units import ms_to_seconds, seconds_to_ms

if TYPE_CHECKING:
    from retro.measuring.microphones import Microphone
    from retro.read.plan_file import PlanFile
    from retro.takes.clip_of import ClipOf, LatenessFrom
    from retro.takes.common_range import Take
    from retro.takes.flip_range import PlannedFlip

DEVIATIONS_95 = 1.96
"""Standard deviations within which 95 % of a normal distribution lie."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InsertFlags:
    """What the flags say of the insert in a take; `phrase_start` is None for a mock-up.

    `microphones` are those of `--mic`, or None where the lateness is not measured.
    """

    plan: Path
    phrase_start: int | None
    take_name: str
    late_ms: float | None
    microphones: list[str] | None
    unheard: bool
    ends: tuple[int | None, int | None]
    session: tuple[str | None, str | None]
    trim: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Lateness:
    """How late the players are reckoned, how sure that is, and where it is from."""

    late_ms: float | None
    uncertainty_ms: float | None = None
    comes_from: "LatenessFrom | None"
    spread_ms: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Hearing:
    """Where the insert was heard and how far above chance, or why that is not sure."""

    heard_in: str | None = None
    over_chance: float | None = None
    doubt: str | None = None


def refuse_contradictions(
    plan: Path | None, phrase_start: int | None, *, needs_plan: bool, mock_up: bool, is_late: bool
) -> None:
    """Refuse flags of an insert that do not go together.

    Raises
    ------
    SettingsError
        If they do not.
    """
    if mock_up:
        _refuse_mock_up(plan, phrase_start=phrase_start, is_late=is_late)
        return
    if plan is None and (phrase_start is not None or is_late or needs_plan):
        raise SettingsError(
            "--phrase-start, --trim, --late-ms, --measure, --take and --unheard mean nothing "
            "without a plan",
            advice="give --plan plan.json",
        )
    if plan is not None and phrase_start is None:
        raise SettingsError(
            "--plan needs the frame of the insert's bar 1 beat 1", advice="give --phrase-start"
        )


def _refuse_mock_up(plan: Path | None, *, phrase_start: int | None, is_late: bool) -> None:
    if plan is None:
        raise SettingsError("--mock-up needs the plan", advice="give --plan plan.json")
    if phrase_start is not None or is_late:
        raise SettingsError(
            "--mock-up knows where the phrase starts and that nobody is late",
            advice="leave out --phrase-start, --late-ms and --measure",
        )


def planned_insert(take: "Take", flags: InsertFlags) -> "tuple[PlannedFlip, ClipOf]":
    """Return range and place of a take's clips, and what they are of.

    Raises
    ------
    TakeError
        If the phrase does not lie in the take, or the insert is not heard where it is told to lie.
    """
    from retro.placement.inputs import Session
    from retro.read.plan_file import read_plan
    from retro.takes.clip_of import ClipOf
    from retro.takes.flip_range import mock_up_start, plan_flip, refuse_outside

    plan = read_plan(flags.plan)
    mock_late_s: float | None = None
    if flags.phrase_start is not None:
        start = flags.phrase_start
    else:
        start, mock_late_s = mock_up_start(plan, take.rate)
    refuse_outside(take, start)
    hearing = _listened(plan, take, flags, start, mock_late_s or 0.0)
    lateness = _lateness(plan, take, flags, start, mock_late_s)
    planned = plan_flip(
        plan,
        take,
        session=Session(
            rate=take.rate,
            start=flags.session[0] or plan.settings.session_start,
            frame_rate=flags.session[1] or plan.settings.frame_rate,
            temperature_c=plan.settings.temperature_c,
        ),
        phrase_start_samples=start,
        lateness_s=None if lateness.late_ms is None else ms_to_seconds(lateness.late_ms),
        lateness_spread_ms=lateness.spread_ms,
        start_frame=flags.ends[0],
        end_frame=flags.ends[1],
        trim=flags.trim,
    )
    clip_of = ClipOf(
        song=plan.title,
        letter=plan.letter,
        take=flags.take_name,
        plan_sha256=sha256(flags.plan.read_bytes()).hexdigest(),
        phrase_start_frame=start,
        lateness_ms=lateness.late_ms,
        lateness_uncertainty_ms=lateness.uncertainty_ms,
        lateness_from=lateness.comes_from,
        heard_in=hearing.heard_in,
        over_chance=hearing.over_chance,
        doubt=hearing.doubt,
    )
    return planned, clip_of


def _listened(
    plan: "PlanFile", take: "Take", flags: InsertFlags, start: int, mock_late_s: float
) -> Hearing:
    """Listen whether the insert lies there, and say what was heard."""
    from retro.measuring.verify import verify_insert

    if flags.unheard:
        return Hearing(doubt="nobody listened whether the insert lies there (--unheard)")
    expected_s = ms_to_seconds(flags.late_ms or 0.0) + mock_late_s
    microphones = _microphones(plan, take, start, flags.microphones or [])
    try:
        verdict = verify_insert(microphones, plan, expected_s=expected_s)
    except TakeError as refusal:
        more = "; --unheard flips it all the same"
        raise TakeError(
            refusal.what, where=refusal.where, advice=f"{refusal.advice}{more}"
        ) from refusal
    if verdict.doubt is not None or verdict.match is None:
        return Hearing(doubt=f"not verified: {verdict.doubt}")
    over = round(verdict.match.over_chance, 1)
    above = f"{over:g} deviations above shuffled pitches"
    print_lines([f"The insert is heard there in {verdict.microphone}, {above}."])
    return Hearing(heard_in=verdict.microphone, over_chance=over)


def _lateness(
    plan: "PlanFile", take: "Take", flags: InsertFlags, start: int, mock_late_s: float | None
) -> Lateness:
    """Return how late the players are reckoned; what is measured is printed too."""
    from retro.measuring.measure import measure_microphones
    from retro.measuring.verify import best_microphones
    from retro.placement.inputs import ENSEMBLE_SPREAD_MS
    from retro.takes.clip_of import LatenessFrom

    if mock_late_s is not None:
        late_ms = seconds_to_ms(mock_late_s)
        return Lateness(late_ms=late_ms, comes_from=LatenessFrom.MOCK_UP, spread_ms=0.0)
    if flags.late_ms is not None:
        return Lateness(
            late_ms=flags.late_ms, comes_from=LatenessFrom.STATED, spread_ms=ENSEMBLE_SPREAD_MS
        )
    if flags.microphones is None:
        return Lateness(late_ms=None, comes_from=None, spread_ms=ENSEMBLE_SPREAD_MS)
    microphones = _microphones(plan, take, start, flags.microphones)
    best = best_microphones(microphones, plan)
    measured = measure_microphones(best, plan, name=best[0].path.name)
    late_ms, doubt_ms = measured.placing_ms
    by = LatenessFrom.ANCHOR if measured.is_by_anchor else LatenessFrom.TAKE
    whose = "at the anchor" if measured.is_by_anchor else "of the take"
    said = f"The lateness {whose} is {late_ms:+.1f} ms, within {doubt_ms:.0f} ms"
    print_lines([f"{said}; it is in the place."])
    return Lateness(
        late_ms=late_ms,
        uncertainty_ms=doubt_ms,
        comes_from=by,
        spread_ms=doubt_ms / DEVIATIONS_95,
    )


def _microphones(
    plan: "PlanFile", take: "Take", start: int, stated: list[str]
) -> "tuple[Microphone, ...]":
    from retro.measuring.microphones import microphones_of

    pairs = zip(take.files, take.starts, strict=True)
    return microphones_of([(file.path, start - first) for file, first in pairs], plan, stated)

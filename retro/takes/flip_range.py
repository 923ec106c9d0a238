"""Which frames of a take are flipped, and where the clip goes, out of the plan of the insert.

From the first attack to the end of the roll (`retro.placement.place`). Where the files
end earlier the tail is shorter and the clip begins later by as much.
"""

from dataclasses import dataclass, replace
from fractions import Fraction

from retro.errors import TakeError
from retro.model.placement import Placement
from retro.placement.inputs import ENSEMBLE_SPREAD_MS, Session, TakeRange
from retro.placement.place import place_plan
from retro.read.plan_file import PlanFile
from retro.takes.common_range import Take
from retro.takes.marks import FrameSpan
from retro.units import ms_to_seconds, seconds_to_samples


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedFlip:
    """The range of a take in its frames, and the placement that follows from it.

    `notices` say what differs from the plan, and what is cut off.
    """

    letter: str
    span: FrameSpan
    placement: Placement
    notices: tuple[str, ...]


def plan_flip(
    plan: PlanFile,
    take: Take,
    *,
    session: Session,
    phrase_start_samples: int,
    lateness_s: float | None = None,
    lateness_spread_ms: float = ENSEMBLE_SPREAD_MS,
    start_frame: int | None = None,
    end_frame: int | None = None,
    trim: bool = False,
) -> PlannedFlip:
    """Work out the range of a take by the plan of its insert.

    Parameters
    ----------
    plan
        Of the insert.
    take
        The files.
    session
        Rate of the take, and timecode.
    phrase_start_samples
        Frame of the take at the insert's bar 1 beat 1.
    lateness_s
        How much later than written the players are heard, or None to reckon with none.
    lateness_spread_ms
        Spread of that figure, as a standard deviation.
    start_frame, end_frame
        Ends of the range where they are not those of the plan.
    trim
        Whether the clip ends at the last landing, without the flipped attack beyond it.

    Raises
    ------
    TakeError
        If the phrase does not lie in the take.
    """
    refuse_outside(take, phrase_start_samples)
    shared = take.common
    at = TakeRange(
        phrase_start_samples=phrase_start_samples,
        lateness_s=lateness_s,
        lateness_spread_ms=lateness_spread_ms,
    )
    planned = place_plan(plan, session=session, take=at)
    end = planned.export_end_samples if end_frame is None else end_frame
    notices = []
    if end_frame is None and end > shared.end:
        notices.append(
            f"the files end {end - shared.end} frames before the tail should; the clip is that "
            "much shorter and begins later"
        )
        end = shared.end
    held = replace(at, take_end_samples=end)
    placement = place_plan(plan, session=session, take=held)
    start = placement.export_start_samples if start_frame is None else start_frame
    if trim:
        landing = landing_frame(plan, placement, lateness_s=lateness_s)
        notices.append(f"trimmed to the landing: {max(landing - start, 0)} frames are cut off")
        start = max(landing, start)
    if start_frame is None and start < shared.start:
        notices.append(f"the files begin {shared.start - start} frames after the first attack")
        start = shared.start
    return PlannedFlip(
        letter=plan.letter,
        span=FrameSpan(start, end),
        placement=placement,
        notices=tuple(notices),
    )


def refuse_outside(take: Take, phrase_start_samples: int) -> None:
    """Refuse a phrase start that the files do not share.

    Raises
    ------
    TakeError
        If it lies outside.
    """
    shared = take.common
    if not shared.start <= phrase_start_samples < max(shared.end, 1):
        raise TakeError(
            f"the phrase starts at frame {phrase_start_samples}, the files share "
            f"{shared.start}-{shared.end}",
            advice="set --phrase-start",
        )


def mock_up_start(plan: PlanFile, rate: int) -> tuple[int, float]:
    """Return frame and lateness in seconds of the phrase in a bounce of `played.mid`, at its rate.

    The bounce begins with the count-in. It plays what was computed and not what is written, so the
    lateness takes the written shift away.
    """
    stated_s = plan.settings.lateness_s or 0.0
    written_shift_s = ms_to_seconds(plan.placement.shift_ms) - stated_s
    return seconds_to_samples(max(0.0, -min(plan.clicks_s, default=0.0)), rate), -written_shift_s


def landing_frame(plan: PlanFile, placement: Placement, *, lateness_s: float | None = None) -> int:
    """Return the frame of the take at which the earliest tone speaks: the flip's last landing.

    For players who play what is written, and are `lateness_s` late.
    """
    heard_s = []
    for note in plan.notes:
        if note.lands_s is None or note.landing_error_ms is None:
            continue
        wanted_s = note.lands_s - ms_to_seconds(note.landing_error_ms)
        predicted_s = -ms_to_seconds(note.written_landing_error_ms or 0.0)
        heard_s.append(wanted_s - predicted_s - (lateness_s or 0.0))
    if not heard_s:
        return placement.phrase_start_samples
    played_s = plan.length_s - Fraction(max(heard_s))
    return placement.phrase_start_samples + seconds_to_samples(played_s, placement.rate)

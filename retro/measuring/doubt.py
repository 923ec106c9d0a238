"""What a match says of the place that was stated: sure, doubtful, or refused with where it lies."""

from collections.abc import Sequence

from retro.errors import TakeError
from retro.measuring.broken import TOGETHER_S, BreakOff
from retro.measuring.identify import (
    NEAR_S,
    ExpectedAttack,
    Match,
    match_plan,
)
from retro.measuring.listen import HeardTake
from retro.measuring.octave import octaves_off
from retro.measuring.search import MAX_SEARCH_S, find_insert
from retro.model.time import locate
from retro.read.plan_file import PlanFile
from retro.units import seconds_to_samples


def doubt_of(
    take: HeardTake,
    plan: PlanFile,
    attacks: Sequence[ExpectedAttack],
    match: Match,
    *,
    expected_s: float = 0.0,
    search_s: float = MAX_SEARCH_S,
    others: Sequence[ExpectedAttack] = (),
    broken: BreakOff | None = None,
) -> str | None:
    """Return why it is not sure that the insert lies where the take says; None where it is.

    Parameters
    ----------
    attacks
        Those that `match` looked for.
    search_s
        How far from there the insert is looked for where it does not lie there.
    others
        Attacks that it did not look for and that may be heard.
    broken
        Where the insert may break off.

    Raises
    ------
    TakeError
        If the insert does not lie there, or breaks off.
    """
    breaks = None if broken is None else _broken_off(take, plan, broken)
    if broken is not None and broken.may_be_rest:
        return breaks  # those who are not heard there are missing in every other judgement
    doubt = _doubtful_place(
        take, attacks, match, expected_s=expected_s, search_s=search_s, others=others
    )
    return doubt or breaks


def _doubtful_place(
    take: HeardTake,
    attacks: Sequence[ExpectedAttack],
    match: Match,
    *,
    expected_s: float,
    search_s: float,
    others: Sequence[ExpectedAttack],
) -> str | None:
    """Return why the place is not sure, see `doubt_of`."""
    if match.is_this_insert:
        if match.lies_elsewhere:
            raise _lies_elsewhere(take, match.elsewhere_s)
        octaves = octaves_off(take, attacks, late_s=match.late_s, others=others)
        if octaves:
            raise _is_octave_off(take, octaves)
        if match.may_lie_elsewhere:
            place = _place(take, match.elsewhere_s)
            return f"the music is there, its place could not be told: it may begin {place}"
        return None
    if not match.is_short:
        found = find_insert(take, attacks, search_s=search_s)
        if found is not None and abs(found.late_s - expected_s) > NEAR_S:
            raise _lies_elsewhere(take, found.late_s)
        raise _is_other(take, match)
    if match.lies_elsewhere:
        there = match_plan(take, attacks, expected_s=match.elsewhere_s)
        if there.is_this_insert:
            raise _lies_elsewhere(take, there.late_s)
    return f"{match.attacks} attacks are too few to tell whether the insert lies there"


def _broken_off(take: HeardTake, plan: PlanFile, broken: BreakOff) -> str:
    """Return why it is not sure that an insert goes on to its end.

    Raises
    ------
    TakeError
        If it breaks off, and the microphone is not one of players who may only rest.
    """
    beats = plan.insert_tempo.beats_at(max(broken.last_s + TOGETHER_S, 0.0))
    words = f"nothing is heard of the insert after its bar {locate(plan.insert_bars, beats).bar}"
    if broken.may_be_rest:
        return f"{words}; it may break off there, or the microphone is close to players who rest"
    if broken.is_sure:
        raise TakeError(
            f"the insert breaks off: {words}",
            where=take.path.name,
            advice="check whether this is a false start, and the phrase start",
        )
    return f"{words}; it may break off there"


def _place(take: HeardTake, late_s: float) -> str:
    # Files of one take may begin apart: only the way from there to there holds in all of them.
    late = seconds_to_samples(late_s, take.rate)
    way = "later" if late > 0 else "earlier"
    frame = take.phrase_start_samples + late
    return f"about frame {frame}, {abs(late)} frames ({abs(late_s):.2f} s) {way}"


def _lies_elsewhere(take: HeardTake, late_s: float) -> TakeError:
    return TakeError(
        f"the insert does not begin at frame {take.phrase_start_samples}: it seems to begin "
        + _place(take, late_s),
        where=take.path.name,
        advice="check the phrase start by the click of bar 1; it moves by as much",
    )


def _is_octave_off(take: HeardTake, octaves: int) -> TakeError:
    return TakeError(
        f"the music sounds an octave {'above' if octaves > 0 else 'below'} the plan",
        where=take.path.name,
        advice="check the plan, and whether its file is written as it sounds",
    )


def _is_other(take: HeardTake, match: Match) -> TakeError:
    missing = match.missing_halves
    which = ("first", "second")[missing[0]] if len(missing) == 1 else None
    return TakeError(
        "this does not sound like the insert of the plan"
        + (f": its {which} half is not there" if which else "")
        + f" at frame {take.phrase_start_samples}, nor anywhere near",
        where=take.path.name,
        advice="check the file, the plan and the phrase start",
    )

"""When each insert of the day is due, reckoned from the minutes that it is given."""

from collections.abc import Sequence
from dataclasses import dataclass

from retro.day.day_file import DayFile

MINUTES_A_DAY = 24 * 60


@dataclass(frozen=True, slots=True)
class Due:
    """When an insert is due, and the breaks before it, in words; none where no start is given."""

    at: str
    breaks: tuple[str, ...]


def timetable(day: DayFile, minutes: Sequence[float]) -> tuple[Due, ...]:
    """Return when each insert is due, by the minutes that each is given.

    A break begins at its time, or as soon after it as the insert that is being recorded ends.
    """
    if day.start is None:
        return tuple(Due("", ()) for _ in minutes)
    now = float(_minutes(day.start))
    waiting = sorted(day.breaks, key=lambda each: each.at)
    found = []
    for length in minutes:
        taken = []
        while waiting and _minutes(waiting[0].at) <= now:
            pause = waiting.pop(0)
            taken.append(f"{_clock(now)} break, {pause.minutes:g} min")
            now += pause.minutes
        found.append(Due(_clock(now), tuple(taken)))
        now += length
    return tuple(found)


def _minutes(clock: str) -> int:
    hours, _, minutes = clock.partition(":")
    return int(hours) * 60 + int(minutes)


def _clock(minutes: float) -> str:
    whole = int(minutes) % MINUTES_A_DAY
    return f"{whole // 60:02}:{whole % 60:02}"

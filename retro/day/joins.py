"""Where one take may give way to another: on a rest, or while tones sound on steadily.

Players stand about the written time with a spread, and as a rule late, so nothing may begin or end
near a join in either take. A join that is asked for at a bar line moves to the nearest such place
within a beat.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from retro.errors import TakeError
from retro.placement.inputs import ENSEMBLE_SPREAD_MS
from retro.read.plan_file import PlanFile
from retro.units import ms_to_seconds

SPREADS = 2.0
"""How many spreads of an ensemble stay clear before and after what is written."""

LATE_S = 0.05
"""How late players may be heard, flight included, where nobody measured it."""

FADE_MS = 30.0
"""Length of a crossfade where nothing else is asked for (our own choice)."""

MAX_FADE_MS = 500.0


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinPlace:
    """Where a join may stand: seconds of insert time."""

    at_s: float
    on: Literal["rest", "steady tone"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tone:
    """A written tone, and how long it takes to be at its level."""

    start_s: float
    end_s: float
    rise_s: float


class Joins:
    """The places of one insert at which takes may be joined.

    A crossfade lasts `fade_s`; players may be heard `late_s` late.
    """

    def __init__(self, plan: PlanFile, *, fade_s: float, late_s: float = LATE_S) -> None:
        self._plan = plan
        seconds_at = plan.insert_tempo.seconds_at
        self._tones = tuple(
            _Tone(
                start_s=float(seconds_at(note.written_on_beats)),
                end_s=float(seconds_at(note.written_off_beats)),
                rise_s=note.written_attack_s,
            )
            for note in plan.notes
        )
        clear_s = SPREADS * ms_to_seconds(ENSEMBLE_SPREAD_MS) + fade_s / 2
        self._before_s, self._after_s = clear_s, clear_s + max(late_s, 0.0)

    @property
    def last_release_s(self) -> float:
        """When the last tone is let go of."""
        return max(tone.end_s for tone in self._tones)

    def bar_line_s(self, bar: int) -> float:
        """When a bar begins."""
        start = self._plan.insert_bars[bar - 1].start_beats
        return float(self._plan.insert_tempo.seconds_at(start))

    def reach_s(self, bar: int) -> float:
        """How far a join may move: one beat group of the bar."""
        own = self._plan.insert_bars[bar - 1]
        group_beats = max(own.meter.groups) * own.meter.unit_beats
        seconds_at = self._plan.insert_tempo.seconds_at
        return float(seconds_at(own.start_beats + group_beats) - seconds_at(own.start_beats))

    def at_bar(self, bar: int) -> JoinPlace:
        """Return where a join before a bar may stand.

        Raises
        ------
        TakeError
            If there is no such place; it names the bars that have one.
        """
        line_s, reach_s = self.bar_line_s(bar), self.reach_s(bar)
        found = self._nearest(line_s - reach_s, line_s + reach_s, line_s)
        if found is None:
            raise TakeError(
                f"no rest and no steady tone lies within a beat of bar {self._plan.letter}{bar}",
                advice=self._others(bar),
            )
        return found

    def before_tail(self) -> JoinPlace:
        """Return where the take that gives the tail comes in: before the last release.

        Raises
        ------
        TakeError
            If there is no such place.
        """
        release_s = self.last_release_s
        reach_s = 2 * self.reach_s(len(self._plan.insert_bars))
        found = self._nearest(release_s - reach_s, release_s, release_s)
        if found is None:
            raise TakeError(
                "no steady tone lies within two beats before the last release",
                advice="take the tail from the take of the last bars",
            )
        return found

    def _others(self, bar: int) -> str:
        free = []
        for other in range(2, len(self._plan.insert_bars) + 1):
            line_s, reach_s = self.bar_line_s(other), self.reach_s(other)
            if other != bar and self._nearest(line_s - reach_s, line_s + reach_s, line_s):
                free.append(f"{self._plan.letter}{other}")
        return f"join before {', '.join(free)}" if free else "take the whole insert from one take"

    def _nearest(self, from_s: float, to_s: float, asked_s: float) -> JoinPlace | None:
        """Return the nearest rest in a span, else the nearest steady tone."""
        found: list[JoinPlace] = []
        for start_s, end_s in self._free(max(from_s, 0.0), to_s):
            at_s = min(max(asked_s, start_s), end_s)
            is_rest = not any(tone.start_s < at_s < tone.end_s for tone in self._tones)
            found.append(JoinPlace(at_s=at_s, on="rest" if is_rest else "steady tone"))
        return min(
            found,
            key=lambda place: (place.on != "rest", abs(place.at_s - asked_s), place.at_s),
            default=None,
        )

    def _free(self, from_s: float, to_s: float) -> Iterator[tuple[float, float]]:
        """Yield the spans in which nothing begins or ends."""
        taken = []
        for tone in self._tones:
            taken.append(
                (tone.start_s - self._before_s, tone.start_s + tone.rise_s + self._after_s)
            )
            taken.append((tone.end_s - self._before_s, tone.end_s + self._after_s))
        inside = sorted(each for each in taken if each[1] > from_s and each[0] < to_s)
        free_from_s = from_s
        for start_s, end_s in inside:
            if start_s > free_from_s:
                yield free_from_s, start_s
            free_from_s = max(free_from_s, end_s)
        if to_s > free_from_s:
            yield free_from_s, to_s

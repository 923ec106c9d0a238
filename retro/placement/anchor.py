"""The landing that the flipped clip is anchored on: a reversed phrase is made for it.

Conventions
-----------
Landings are wanted at seconds of window time; errors are milliseconds, heard minus wanted, for a
performance of what is written. Weights are energies.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from retro.model.performance import NoteTimes, Performance
from retro.model.statistics import weighted_median
from retro.units import ms_to_seconds

TOGETHER_S = 0.03
"""Landings this close belong together: players in an ensemble are no closer (Rasch 1979, S)."""

APART_MS = 10.0
"""A player who lands further than this from the anchor is named with its error."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Landing:
    """Where one note is wanted to land, and how far off it does as written."""

    player: str
    wanted_s: float
    error_ms: float
    weight: int

    @property
    def lands_s(self) -> float:
        """Where it lands as written."""
        return self.wanted_s + ms_to_seconds(self.error_ms)


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """The landings that lie together at the anchor, as wanted or as written.

    Parameters
    ----------
    at_s
        Where they are wanted: the median, weighted by level.
    shift_ms
        What puts them there: minus the median of their errors, weighted by level.
    landings
        All of them.
    """

    at_s: float
    shift_ms: float
    landings: tuple[Landing, ...]

    def errors_ms(self) -> dict[str, float]:
        """Return every player's error once the clip is shifted, in the order of the landings."""
        names = dict.fromkeys(landing.player for landing in self.landings)
        return {name: _median_ms(self.landings, name) + self.shift_ms for name in names}

    @property
    def players(self) -> tuple[str, ...]:
        """Who lands on the anchor."""
        near = [name for name, ms in self.errors_ms().items() if abs(ms) <= APART_MS]
        return tuple(near)

    @property
    def apart_ms(self) -> dict[str, float]:
        """Who lands beside it, and by how much."""
        return {name: ms for name, ms in self.errors_ms().items() if abs(ms) > APART_MS}


def landings_of(performance: Performance) -> tuple[Landing, ...]:
    """Return the landings of a performance that are moments."""
    players = performance.players
    landings = (landing_of(n, players[n.part].name, n.target.velocity) for n in performance.notes)
    return tuple(filter(None, landings))


def landing_of(note: NoteTimes, player: str, velocity: int) -> Landing | None:
    """Return the landing of a note; None where it is no moment."""
    error_ms, written_error_ms = note.landing_error_ms, note.written_landing_error_ms
    if note.lands_s is None or error_ms is None or written_error_ms is None:
        return None
    return Landing(
        player=player,
        wanted_s=note.lands_s - ms_to_seconds(error_ms),
        error_ms=written_error_ms,
        weight=velocity**4,
    )


def group_at(landings: Sequence[Landing], at_s: float | None = None) -> Group | None:
    """Return the landings at a time, by default the last ones; None of no landings.

    What lands there on paper is of the group, too: hands do not let go of a chord together, and
    the last finger is no anchor for an orchestra.
    """
    if not landings:
        return None
    if at_s is None:
        at_s = max(landing.wanted_s for landing in landings)
    there = [each for each in landings if abs(each.wanted_s - at_s) <= TOGETHER_S]
    written_s = weighted_median([each.lands_s for each in there], [each.weight for each in there])
    together = tuple(
        each
        for each in landings
        if min(abs(each.wanted_s - at_s), abs(each.lands_s - written_s)) <= TOGETHER_S
    )
    weights = [each.weight for each in together]
    return Group(
        at_s=weighted_median([each.wanted_s for each in together], weights),
        shift_ms=0.0 - _median_ms(together),
        landings=together,
    )


def _median_ms(landings: Sequence[Landing], player: str | None = None) -> float:
    own = [each for each in landings if player in (None, each.player)]
    return weighted_median([each.error_ms for each in own], [each.weight for each in own])

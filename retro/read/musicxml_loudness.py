"""How loud a part of a MusicXML score is meant to be: levels, hairpins, accents.

What the composer wrote goes before figures for playback; those count where a part has no signs
(``dynamics`` is a percentage of velocity 90, MusicXML 4.0).

Conventions
-----------
A level is a velocity: ppp 16, pp 32 ... mf 80, f 96, ff 112, as `retro.notation.dynamics` reads
them back.
"""

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from retro.model.signs import Sign, SignKind
from retro.model.time import Steps
from retro.read.musicxml_measures import RawDirection
from retro.units import nearest

LEVELS = {"pppp": 8, "ppp": 16, "pp": 32, "p": 48, "mp": 64, "mf": 80, "f": 96, "ff": 112,
          "fff": 120, "ffff": 127}  # fmt: skip
ACCENTED = frozenset(("sf", "sfz", "fz", "rf", "rfz", "sffz", "sfzp"))
"""Levels of one note, which leave the level as it was (common practice)."""

THEN_SOFT = {"fp": ("f", "p"), "sfp": ("sf", "p"), "sfpp": ("sf", "pp"), "pf": ("p", "f")}
"""Levels of one note, and the level after it."""

DEFAULT_VELOCITY = 90
"""Velocity of 100 per cent (MusicXML 4.0, attribute ``dynamics``)."""

A_LEVEL = 16
MAX_VELOCITY = 127

NEAR_BEATS = Fraction(1)
"""How far behind its end the level stands to which a hairpin leads."""

SAMPLE_BEATS = Fraction(1, 8)
"""Step of the curve inside a hairpin."""


@dataclass(frozen=True, slots=True)
class _Ramp:
    """The level from one place to another, steady where both values are equal."""

    start: Fraction
    end: Fraction
    first: float
    last: float
    named: bool

    def at(self, beats: Fraction) -> float:
        if self.end == self.start:
            return self.last
        return self.first + (self.last - self.first) * float(
            (beats - self.start) / (self.end - self.start)
        )


AIMLESS_SWELL_BEATS = Fraction(8)
"""How long a "cresc." lasts that leads to no level, in quarter notes: two bars (our own choice)."""


class WrittenLevels:
    """The levels of one part over the whole song, from its directions in the song's own time."""

    def __init__(self, directions: Iterable[RawDirection], length: Fraction) -> None:
        ordered = sorted(directions, key=lambda direction: direction.at)
        levels = [d for d in ordered if d.kind == "dynamics"]
        self._length = length
        self.accents = {d.at for d in levels if d.text in ACCENTED}
        self._once = {d.at: LEVELS.get(THEN_SOFT[d.text][0]) for d in levels if d.text in THEN_SOFT}
        self.accents |= {d.at for d in levels if d.text in ("sfp", "sfpp")}
        changes: dict[Fraction, int] = {}
        for d in levels:
            name = THEN_SOFT[d.text][1] if d.text in THEN_SOFT else d.text
            if name in LEVELS and d.at < length:
                changes[d.at] = LEVELS[name]
        self.wedges = tuple(_wedges(ordered, sorted(changes), length))
        self.is_stated = bool(changes or self.wedges)
        self._ramps = self._laid_out(changes)
        self._starts = [ramp.start for ramp in self._ramps]
        self._playback = Steps.from_changes(
            ((d.at, _percent(float(d.text))) for d in ordered if d.kind == "loudness"),
            length=length,
            before=DEFAULT_VELOCITY,
        )

    def _laid_out(self, changes: dict[Fraction, int]) -> list[_Ramp]:
        """Return the level over the whole song as steady and sloping stretches."""
        now, at, named = float(DEFAULT_VELOCITY), Fraction(0), False
        ramps: list[_Ramp] = []
        places = sorted({*changes, *(start for _, start, _ in self.wedges)})
        ends = {start: (kind, end) for kind, start, end in self.wedges}
        for place in places:
            if place < at:
                now, named = float(changes.get(place, now)), named or place in changes
                continue
            if place > at:
                ramps.append(_Ramp(at, place, now, now, named))
                at = place
            if place in changes:
                now, named = float(changes[place]), True
            if place in ends:
                kind, end = ends[place]
                goal = self._goal(changes, kind, now, place, end)
                ramps.append(_Ramp(at, end, now, goal, named))
                now, at, named = goal, end, True
        if at < self._length:
            ramps.append(_Ramp(at, self._length, now, now, named))
        return ramps

    @staticmethod
    def _goal(
        changes: dict[Fraction, int], kind: SignKind, now: float, start: Fraction, end: Fraction
    ) -> float:
        """Return the level to which a hairpin leads: the one written near its end, else one on."""
        rises = kind is SignKind.CRESCENDO
        near = [at for at in changes if start < at <= end + NEAR_BEATS]
        if near and (changes[max(near)] > now) is rises and changes[max(near)] != now:
            return float(changes[max(near)])
        return min(max(now + (A_LEVEL if rises else -A_LEVEL), 8.0), float(MAX_VELOCITY))

    def level_at(self, at: Fraction) -> float:
        """Return the written level at a place."""
        index = bisect_right(self._starts, at) - 1
        return self._ramps[max(index, 0)].at(at)

    def regions(self, spans: Sequence[tuple[Fraction, Fraction]]) -> Steps[int]:
        """Return the greatest level of every region that a hairpin shapes, 0 outside of them.

        `spans` are of the notes, by their beginnings: a note lies in one region or in none.
        """
        wedges = [(start, end, True) for _, start, end in self.wedges]
        intervals = sorted([*((on, off, False) for on, off in spans), *wedges])
        changes: list[tuple[Fraction, int]] = []
        first = last = Fraction(0)
        is_shaped = False
        for start, end, shapes in [*intervals, (self._length, self._length, False)]:
            if start >= last:
                if is_shaped:
                    changes += [(first, self._greatest(first, last)), (last, 0)]
                first, last, is_shaped = start, end, False
            last = max(last, end)
            is_shaped = is_shaped or shapes
        return Steps.from_changes(changes, length=self._length, before=0)

    def _greatest(self, start: Fraction, end: Fraction) -> int:
        levels = [
            max(ramp.at(max(ramp.start, start)), ramp.at(min(ramp.end, end)))
            for ramp in self._ramps
            if ramp.start < end and ramp.end > start
        ]
        return nearest(max(levels))

    def expression(self, regions: Steps[int]) -> Steps[int]:
        """Return the expression controller that makes every region as loud as written."""
        changes: list[tuple[Fraction, int]] = []
        for start, end, greatest in regions.spans():
            if not greatest:
                changes.append((start, MAX_VELOCITY))
                continue
            for ramp in self._ramps:
                first, last = max(ramp.start, start), min(ramp.end, end)
                if first >= last:
                    continue
                changes.append((first, nearest(MAX_VELOCITY * ramp.at(first) / greatest)))
                if ramp.first != ramp.last:
                    at = first + SAMPLE_BEATS
                    while at < last:
                        changes.append((at, nearest(MAX_VELOCITY * ramp.at(at) / greatest)))
                        at += SAMPLE_BEATS
        return Steps.from_changes(changes, length=self._length, before=MAX_VELOCITY)

    def velocity(self, at: Fraction, percent: float | None, greatest: int) -> int:
        """Return the velocity of a note that begins at a place.

        `percent` is its own figure for playback, `greatest` that of the region it lies in, or 0.
        """
        if greatest:
            return min(max(greatest, 1), MAX_VELOCITY)
        if self.is_stated:
            once = self._once.get(at)
            return min(max(nearest(self.level_at(at)) if once is None else once, 1), MAX_VELOCITY)
        return _percent(percent) if percent is not None else self._playback.at(at)

    def signs(self) -> list[Sign]:
        """Return levels, each over the span in which it holds, and hairpins."""
        names = {velocity: name for name, velocity in LEVELS.items()}
        signs = [
            Sign(start_beats=start, end_beats=end, kind=kind) for kind, start, end in self.wedges
        ]
        steady = [ramp for ramp in self._ramps if ramp.first == ramp.last and ramp.named]
        for ramp in steady:
            nearest_level = min(names, key=lambda velocity: abs(velocity - ramp.first))
            signs.append(
                Sign(
                    start_beats=ramp.start,
                    end_beats=ramp.end,
                    kind=SignKind.LEVEL,
                    text=names[nearest_level],
                )
            )
        return signs


def _percent(percent: float) -> int:
    return min(max(nearest(DEFAULT_VELOCITY * percent / 100.0), 1), MAX_VELOCITY)


def _wedges(
    ordered: Sequence[RawDirection], levels: Sequence[Fraction], length: Fraction
) -> Iterable[tuple[SignKind, Fraction, Fraction]]:
    """Yield hairpins, drawn or in words; none overlaps the next."""
    found: list[tuple[Fraction, Fraction, SignKind]] = []
    opened: dict[str, RawDirection] = {}
    for direction in ordered:
        if direction.kind == "swell":
            aimless = min(direction.at + AIMLESS_SWELL_BEATS, length)
            end = next((at for at in levels if at > direction.at), aimless)
            found.append((direction.at, end, SignKind(direction.text)))
        elif direction.kind == "wedge" and direction.text in ("crescendo", "diminuendo"):
            opened[direction.number] = direction
        elif direction.kind == "wedge" and direction.text == "stop":
            start = opened.pop(direction.number, None)
            if start is not None and start.at < direction.at:
                found.append((start.at, direction.at, SignKind(start.text)))
    found.sort()
    for (first, last, kind), (following, _, _) in pairwise(
        [*found, (length, length, SignKind.CRESCENDO)]
    ):
        if first < min(last, following):
            yield kind, first, min(last, following)

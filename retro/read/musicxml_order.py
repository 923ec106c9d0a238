"""In which order the measures of a score are played: repeats, endings, da capo, dal segno.

After a jump back no repeat is taken and of endings the last is played. Behind a final bar line
another movement begins: repeats and da capo go back to its beginning, but da capo from a trio to
where the fine is (common practice).
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from lxml import etree

from retro.errors import LimitError, ScoreError
from retro.read.musicxml_measures import RawMeasure
from retro.read.song import MAX_BARS
from retro.read.written_numbers import whole_of

MAX_TURNS = 16
"""More often than this nothing is repeated."""

LAST_TURN = 10_000


@dataclass(slots=True)
class Stops:
    """What one measure says about the order.

    Attributes
    ----------
    forward, backward
        Whether a repeat begins with it; how often it is played where one ends with it, else 0.
    ending
        Numbers of the ending that it belongs to; empty for none.
    ends
        Whether that ending ends with it.
    begins, closes
        Whether a movement begins with it, behind a final bar line; whether it has that line.
    jumps_to
        ``dacapo`` or the name of a segno, where the music goes back after it.
    """

    forward: bool = False
    backward: int = 0
    ending: frozenset[int] = frozenset()
    ends: bool = False
    begins: bool = False
    closes: bool = False
    jumps_to: str = ""
    segno: str = ""
    coda: str = ""
    to_coda: str = ""
    fine: bool = False

    @property
    def is_plain(self) -> bool:
        """Whether nothing here changes the order."""
        return self == Stops()


def stops_of(columns: Iterable[Sequence[RawMeasure]], name: str) -> list[Stops]:
    """Return what each measure says, from what it is in all parts that have it."""
    stops: list[Stops] = []
    running: frozenset[int] = frozenset()
    for column in columns:
        here = Stops(ending=running, begins=bool(stops) and stops[-1].closes)
        for measure in column:
            for barline in measure.barlines:
                _take_barline(here, barline, name)
            for sound in measure.sounds:
                _take_sound(here, sound)
        here.closes = here.closes and not here.fine
        running = frozenset() if here.ends else here.ending
        stops.append(here)
    return stops


def _take_barline(here: Stops, barline: etree._Element, name: str) -> None:
    repeat = barline.find("repeat")
    if repeat is not None and repeat.get("direction") == "forward":
        here.forward = True
    elif repeat is not None:
        times = whole_of(repeat.get("times"))
        here.backward = 2 if times is None else min(max(times, 0), MAX_TURNS)
    elif barline.findtext("bar-style") == "light-heavy":
        here.closes = True
    ending = barline.find("ending")
    if ending is None:
        return
    if ending.get("type") == "start":
        numbers = [int(number) for number in re.findall(r"\d{1,4}", ending.get("number", ""))]
        if any(not 1 <= number <= MAX_TURNS for number in numbers):
            raise ScoreError(f"an ending {ending.get('number', '')[:20]!r}", where=name)
        here.ending = frozenset(numbers)
    else:
        here.ends = True


def _take_sound(here: Stops, sound: etree._Element) -> None:
    if sound.get("dacapo") == "yes":
        here.jumps_to = "dacapo"
    elif sound.get("dalsegno") is not None:
        here.jumps_to = f"segno {sound.get('dalsegno')}"
    here.segno = sound.get("segno") or here.segno
    here.coda = sound.get("coda") or here.coda
    here.to_coda = sound.get("tocoda") or here.to_coda
    here.fine = here.fine or sound.get("fine") is not None


def playing_order(stops: Sequence[Stops], name: str) -> list[int]:
    """Return the indexes of the measures as they are played.

    Raises
    ------
    LimitError
        Where more than `MAX_BARS` measures are played.
    """
    if all(here.is_plain for here in stops):
        return list(range(len(stops)))
    player = _Player(stops)
    order = []
    while player.at < len(stops):
        index = player.step()
        if index is not None:
            order.append(index)
        if len(order) > MAX_BARS:
            raise LimitError(f"plays more than {MAX_BARS} bars", where=name)
    return order


class _Player:
    """Goes through the measures; `at` is the next one."""

    def __init__(self, stops: Sequence[Stops]) -> None:
        self.at = 0
        self._stops = stops
        self._section = 0
        self._movement = 0
        self._turn = 1
        self._has_jumped = False

    def step(self) -> int | None:
        """Return the measure that is played here, None where an ending is passed over."""
        here = self._stops[self.at]
        index = self.at
        if here.begins and self._movement != index:
            self._movement, self._section, self._turn = index, index, 1
            self._has_jumped = False
        if here.forward and index > self._section:
            self._section, self._turn = index, 1
        if here.ending and not self._is_due(index):
            self.at += 1
            return None
        self._go_on(here)
        return index

    def _is_due(self, index: int) -> bool:
        if self._has_jumped:
            return not self._following_ending(index)
        return self._turn in self._stops[index].ending

    def _following_ending(self, index: int) -> frozenset[int]:
        """Return the numbers of the ending behind the one that holds a measure."""
        own = self._stops[index].ending
        while index < len(self._stops) and self._stops[index].ending == own:
            if self._stops[index].ends:
                index += 1
                break
            index += 1
        return self._stops[index].ending if index < len(self._stops) else frozenset()

    def _go_on(self, here: Stops) -> None:
        index = self.at
        if not self._has_jumped and here.backward and self._goes_back(here, index):
            self._turn += 1
            self.at = self._section
            return
        if here.backward or (here.ends and not self._following_ending(index)):
            self._section, self._turn = index + 1, 1
        self.at = index + 1
        if self._has_jumped:
            self._after_jump(here)
        elif here.jumps_to:
            self._jump(here.jumps_to)

    def _goes_back(self, here: Stops, index: int) -> bool:
        following = self._turn + 1
        if here.ending:
            return following in here.ending or following in self._following_ending(index)
        return self._turn < here.backward

    def _jump(self, to: str) -> None:
        self._has_jumped = True
        self._turn = LAST_TURN
        target = self._movement if self._has_own_end() else 0
        if to != "dacapo":
            signs = [i for i, here in enumerate(self._stops) if here.segno]
            named = [i for i in signs if f"segno {self._stops[i].segno}" == to]
            target = next(iter(named or signs), 0)
        self.at = target

    def _after_jump(self, here: Stops) -> None:
        if here.fine:
            self.at = self._next_movement()
        elif here.to_coda:
            codas = [i for i, other in enumerate(self._stops) if other.coda]
            self.at = next((i for i in codas if i > self.at - 1), len(self._stops))

    def _has_own_end(self) -> bool:
        """Return whether a da capo here can end in its movement, or has no other place to end."""
        own, before = self._stops[self._movement : self.at], self._stops[: self._movement]
        return any(here.fine or here.to_coda for here in own) or not any(h.fine for h in before)

    def _next_movement(self) -> int:
        """Return where the movement behind this one begins, or the end."""
        later = (i for i in range(self._movement + 1, len(self._stops)) if self._stops[i].begins)
        return next(later, len(self._stops))

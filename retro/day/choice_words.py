"""Reads a choice as a person types it: ``A = 3:1-3, 1:4, 3:5-8, tail 2``.

Bars are those of the insert, each once and in order. The tail is what rings after the last release;
without a word it is that of the last take.
"""

import re
from dataclasses import dataclass

from retro.errors import SettingsError

_WHOLE = re.compile(r"\s*([A-Za-z]{1,3})\s*=\s*(.+?)\s*")
_BARS = re.compile(r"([0-9]{1,4})\s*:\s*([0-9]{1,5})(?:\s*[-–]\s*([0-9]{1,5}))?")
_TAIL = re.compile(r"tail\s+([0-9]{1,4})", re.IGNORECASE)
_ALL = re.compile(r"[0-9]{1,4}")

EXAMPLE = "write it as 'A = 3:1-3, 1:4, 3:5-8, tail 2'"


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedStretch:
    """Bars of one take, counted from 1 and both inside."""

    take: int
    first_bar: int
    last_bar: int

    @property
    def words(self) -> str:
        """Return the bars in words."""
        one = self.first_bar == self.last_bar
        return f"bar {self.first_bar}" if one else f"bars {self.first_bar}-{self.last_bar}"


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedChoice:
    """What was asked for; `tail_take` gives what rings after the last release."""

    letter: str
    stretches: tuple[AskedStretch, ...]
    tail_take: int


def read_words(text: str, *, bars: int | None = None) -> AskedChoice:
    """Return a choice as it was typed; without the `bars` of the insert only its form is checked.

    Raises
    ------
    SettingsError
        If it is no choice, or bars are missing, doubled or out of order.
    """
    whole = _WHOLE.fullmatch(text)
    if whole is None:
        raise SettingsError(f"{text[:80]!r} is no choice", advice=EXAMPLE)
    stretches: list[AskedStretch] = []
    tail_take: int | None = None
    for word in (each.strip() for each in whole[2].split(",")):
        if tail_take is not None:
            raise SettingsError(f"{word[:40]!r} stands after the tail", advice=EXAMPLE)
        if tail := _TAIL.fullmatch(word):
            tail_take = int(tail[1])
        else:
            stretches.append(_stretch(word, bars))
    if not stretches:
        raise SettingsError("a tail alone is no choice", advice=EXAMPLE)
    if bars is not None:
        _refuse_gaps(stretches, bars)
    return AskedChoice(
        letter=whole[1].upper(),
        stretches=tuple(stretches),
        tail_take=stretches[-1].take if tail_take is None else tail_take,
    )


def _stretch(word: str, bars: int | None) -> AskedStretch:
    if _ALL.fullmatch(word):
        return AskedStretch(take=int(word), first_bar=1, last_bar=bars or 1)
    found = _BARS.fullmatch(word)
    if found is None:
        raise SettingsError(f"{word[:40]!r} is no take and bars", advice=EXAMPLE)
    first = int(found[2])
    return AskedStretch(take=int(found[1]), first_bar=first, last_bar=int(found[3] or first))


def _refuse_gaps(stretches: list[AskedStretch], bars: int) -> None:
    wanted = 1
    for stretch in stretches:
        if stretch.first_bar != wanted or stretch.last_bar < stretch.first_bar:
            raise SettingsError(
                f"take {stretch.take} has {stretch.words} where bar {wanted} is due",
                advice="name every bar once, in order",
            )
        wanted = stretch.last_bar + 1
    if wanted != bars + 1:
        raise SettingsError(
            f"the insert has {bars} bars, and the choice ends with bar {wanted - 1}",
            advice="name every bar once, in order",
        )

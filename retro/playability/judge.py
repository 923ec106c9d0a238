"""How a judgement is kept until it is reported, and how many of one kind are reported."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from retro.model.findings import FindingKind
from retro.model.performance import Finding, Severity
from retro.model.time import Bar, Place, locate
from retro.playability.desk import WrittenNote

MAX_OF_A_KIND = 3
"""Lines that one player gets of one kind; what is beyond is counted in the last of them."""

MAX_BARS_NAMED = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """A finding before its place is counted in bars.

    Parameters
    ----------
    at_beats
        Insert time, or None where it has no place.
    advice
        A sentence, or what finds one that is true of every note it is given: looking for another
        player takes time, and most of many judgements are only counted.
    written_notes
        The notes that the advice is about.
    weight
        The heavier of two of one severity is reported first.
    """

    severity: Severity
    kind: FindingKind
    player: str | None = None
    at_beats: Fraction | None = None
    what: str
    advice: str | Callable[[Sequence[WrittenNote]], str]
    written_notes: tuple[WrittenNote, ...] = ()
    weight: float = 0.0


def report(judgements: Iterable[Judgement], bars: tuple[Bar, ...]) -> Iterator[Finding]:
    """Report the gravest of every player and kind, and count the others.

    The findings of a kind stand together, those of the heaviest player first.
    """
    kinds: dict[str, dict[str | None, list[Judgement]]] = defaultdict(lambda: defaultdict(list))
    for judgement in judgements:
        kinds[judgement.kind][judgement.player].append(judgement)
    for players in kinds.values():
        groups = [sorted(group, key=_gravest) for group in players.values()]
        for kept in sorted(groups, key=lambda group: _gravest(group[0])):
            many = len(kept) > MAX_OF_A_KIND
            shown = kept[: MAX_OF_A_KIND - 1] if many else kept
            for judgement in sorted(shown, key=_in_time):
                yield _finding(judgement, bars)
            if many:
                yield _counted(kept[MAX_OF_A_KIND - 1 :], bars)


def _gravest(judgement: Judgement) -> tuple[int, float, Fraction]:
    return judgement.severity.rank, -judgement.weight, judgement.at_beats or Fraction(0)


def _in_time(judgement: Judgement) -> tuple[int, Fraction]:
    return judgement.severity.rank, judgement.at_beats or Fraction(0)


def _finding(judgement: Judgement, bars: tuple[Bar, ...]) -> Finding:
    place = None if judgement.at_beats is None else _place(bars, judgement.at_beats)
    return Finding(
        severity=judgement.severity,
        kind=judgement.kind,
        player=judgement.player,
        bar=place.bar if place else None,
        beat=float(place.beat) if place else None,
        what=judgement.what,
        advice=_advice([judgement]),
    )


def _place(bars: tuple[Bar, ...], at_beats: Fraction) -> Place:
    """Return a place that the insert has: its end is told by its last bar."""
    place = locate(bars, at_beats)
    if place.bar <= len(bars):
        return place
    return replace(place, bar=len(bars), beat=place.beat + bars[-1].meter.numerator)


def _advice(judgements: Sequence[Judgement]) -> str:
    """Return advice that holds for all of them; empty where there is none."""
    advice = judgements[0].advice
    if not isinstance(advice, str):
        return advice([read for judgement in judgements for read in judgement.written_notes])
    return advice if all(judgement.advice == advice for judgement in judgements) else ""


def _counted(others: list[Judgement], bars: tuple[Bar, ...]) -> Finding:
    """Return one line for all that is left of a kind; its severity is that of the gravest."""
    first = others[0]
    places = sorted({_place(bars, j.at_beats).bar for j in others if j.at_beats is not None})
    named = ", ".join(str(bar) for bar in places[:MAX_BARS_NAMED])
    more = " and later" if len(places) > MAX_BARS_NAMED else ""
    where = f", in bar{'s' if len(places) > 1 else ''} {named}{more}" if places else ""
    return Finding(
        severity=first.severity,
        kind=first.kind,
        player=first.player,
        what=f"{len(others)} more like it ({first.kind}){where}",
        advice=_advice(others),
    )

"""Tempo as a player reads it: few words and metronome marks out of many small steps.

A tempo that holds for a while gets a metronome mark; a run of short steps between such places
becomes "rit." or "accel.". A composer's own words stand where their tempo begins. A metronome mark
has one decimal at most (common practice). The exact steps go out as sound, so that a program plays
what is meant.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from retro.model.tempo_words import TempoKind, TempoWord
from retro.model.time import Bar, Meter, TempoMap, bar_index
from retro.units import nearest, us_per_quarter_to_bpm

HOLDS_BEATS = Fraction(2)
"""Shortest span of one tempo that gets a metronome mark, and longest step of a gradual change (our
own choice)."""

MIN_STEPS = 3
"""Steps in one direction that make a gradual change (our own choice)."""

NOTICEABLE = 0.03
"""Smallest change of tempo that is printed (our own choice; 2 to 8 % is just noticeable, from
memory)."""

MIN_TURNS = 4
WAVERING = 0.4
"""Turns of the tempo, and their share of its changes, that make it waver: then one mark says about
how fast, and the click says the rest (our own choice)."""

SLOWER, FASTER, BACK = "rit.", "accel.", "a tempo"
AT_ONCE = {TempoKind.AT_ONCE_SLOWER: "meno mosso", TempoKind.AT_ONCE_FASTER: "più mosso"}
"""Words for a tempo (common practice)."""

Span = tuple[Fraction, Fraction, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class TempoMark:
    """What is printed over the system at one place.

    Parameters
    ----------
    at_beats
        Insert time.
    words
        "Allegro", "rit." or empty; before the metronome mark where there are both.
    unit
        Note that the metronome mark counts, in quarter notes (3/2 is a dotted quarter), or None.
    per_minute
        How many of them, to one decimal without a trailing zero, or "c. 71" where the tempo wavers;
        empty without a unit.
    click
        The same to two decimals, where one is not enough to say what the click does; else empty.
    is_equal
        Whether it says that the unit lasts as long as before ("♪ = ♪"), where the meter counts in
        another note.
    """

    at_beats: Fraction
    words: str = ""
    unit: Fraction | None = None
    per_minute: str = ""
    click: str = ""
    is_equal: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A gradual change of tempo: indexes of its first and its last span, and how it was called."""

    first: int
    last: int
    word: TempoWord | None = None


def counted_unit(meter: Meter) -> Fraction:
    """Return the note that a metronome counts in a meter (common practice).

    The dotted note in compound meters, the unit itself in additive ones, the half note in halves.
    """
    sizes = set(meter.groups)
    if len(sizes) > 1 and meter.denominator >= 8:
        return meter.unit_beats
    return meter.unit_beats * (meter.groups[0] if meter.denominator >= 8 else 1)


def tempo_marks(
    tempo: TempoMap, bars: Sequence[Bar], words: Sequence[TempoWord] = ()
) -> tuple[TempoMark, ...]:
    """Return the printed marks of a tempo map in order; the first is a metronome mark at 0.

    `words` are the composer's, mirrored like the tempo. A change that they name and that the tempo
    does not make is not printed: what stands on the page is what the click does.
    """
    spans = list(tempo.us_per_quarter.spans())
    if _wavers(spans):
        mean_us = nearest(tempo.length_s / tempo.length_beats * 1_000_000)
        numbers = [_metronome(Fraction(0), mean_us, bars, about=True)]
        return _with_words(numbers, steady_words(_printable(words, spans, ()), (), None))
    changes = gradual_changes(spans, words)
    ends = {change.last for change in changes}
    moving = {index for change in changes for index in range(change.first + 1, change.last)}
    jumped = {change.first for change in changes if _jumps(spans, change)} - ends
    marks = [_metronome(Fraction(0), spans[0][2], bars)]
    printed = spans[0][2]
    for index, (start, end, us) in enumerate(spans[1:], start=1):
        holds = end - start >= HOLDS_BEATS and index not in moving
        if index in jumped or (holds and (index in ends or _differs(us, printed))):
            marks.append(_metronome(start, us, bars))
            printed = us
    places = [(spans[change.first][0], spans[change.last][0]) for change in changes]
    texts = steady_words(_printable(words, spans, changes), places, tempo)
    marks.extend(_numbers_of(texts, marks, tempo, bars))
    marks.extend(_gradual_mark(spans, change) for change in changes)
    marks.extend(_new_units(bars, marks, places))
    return _with_words(marks, texts)


def _numbers_of(
    words: Sequence[tuple[Fraction, str]],
    numbers: Sequence[TempoMark],
    tempo: TempoMap,
    bars: Sequence[Bar],
) -> Iterator[TempoMark]:
    """Yield the numbers of tempos that have a word, where another number was printed last."""
    places = sorted(mark.at_beats for mark in numbers)
    for at, _ in words:
        last = max(place for place in places if place <= at)
        us = tempo.us_per_quarter.at(at)
        if us != tempo.us_per_quarter.at(last):
            yield _metronome(at, us, bars)


def _printable(
    words: Sequence[TempoWord], spans: Sequence[Span], changes: Sequence[Change]
) -> Iterator[TempoWord]:
    """Yield the words of tempos that hold, each from where its tempo is reached.

    One goes on through a change that is not made.
    """
    by_word = {change.word: change for change in changes}
    end = start = Fraction(0)
    for word in words:
        if not word.kind.is_gradual:
            yield replace(word, start_beats=start) if word.start_beats == end else word
            continue
        change = by_word.get(word)
        end = start = word.end_beats
        if change is None:
            start = word.start_beats
        elif spans[change.last][1] > end:
            start = spans[change.last][0]


def _with_words(
    marks: Sequence[TempoMark], words: Sequence[tuple[Fraction, str]]
) -> tuple[TempoMark, ...]:
    """Put words before the metronome marks at their places, or alone where there is none."""
    numbers = {mark.at_beats for mark in marks if mark.per_minute}
    texts = dict(words)
    told = [
        replace(mark, words=texts.get(mark.at_beats, "")) if mark.per_minute else mark
        for mark in marks
    ]
    told += [TempoMark(at_beats=at, words=text) for at, text in words if at not in numbers]
    return tuple(sorted(told, key=lambda mark: (mark.at_beats, not mark.per_minute, mark.words)))


def _wavers(spans: Sequence[Span]) -> bool:
    """Whether the tempo goes to and fro, as in a song that was played without a click."""
    rising = [later > us for (_, _, us), (_, _, later) in pairwise(spans)]
    turns = sum(before != after for before, after in pairwise(rising))
    return turns >= MIN_TURNS and turns >= WAVERING * len(rising)


def _differs(us: int, other: int) -> bool:
    return abs(us - other) > NOTICEABLE * other


def _metronome(at: Fraction, us: int, bars: Sequence[Bar], *, about: bool = False) -> TempoMark:
    unit = counted_unit(bars[bar_index(bars, at)].full_meter)
    per_minute = us_per_quarter_to_bpm(us) / unit
    if about:
        return TempoMark(at_beats=at, unit=unit, per_minute=f"c. {nearest(per_minute)}")
    printed, click = (_decimal(per_minute, decimals) for decimals in (1, 2))
    return TempoMark(
        at_beats=at, unit=unit, per_minute=printed, click="" if click == printed else click
    )


def _decimal(number: Fraction, decimals: int) -> str:
    return f"{float(number):.{decimals}f}".rstrip("0").rstrip(".")


def _gradual_mark(spans: Sequence[Span], change: Change) -> TempoMark:
    """Return the word of a gradual change; a long first tempo holds until it begins."""
    start, end, us = spans[change.first]
    if change.word is not None:
        start = max(start, change.word.start_beats)
    at = end if end - start > HOLDS_BEATS else start
    word = SLOWER if spans[change.last][2] > us else FASTER
    how = "" if change.word is None else change.word.text
    return TempoMark(at_beats=at, words=f"{how} {word}".strip())


def _jumps(spans: Sequence[Span], change: Change) -> bool:
    """Whether the tempo leaps to where a gradual change begins, the other way."""
    if not change.first:
        return False
    before, first, last = (spans[k][2] for k in (change.first - 1, change.first, change.last))
    return _differs(first, before) and (first > before) is not (last > first)


def gradual_changes(spans: Sequence[Span], words: Sequence[TempoWord]) -> list[Change]:
    """Return what a composer called a gradual change, and what goes step by step without a word."""
    said = [change for word in words if (change := _said_change(spans, word)) is not None]
    taken = {index for change in said for index in range(change.first, change.last)}
    found = [
        Change(first=first, last=last)
        for first, last in _gradual(spans)
        if taken.isdisjoint(range(first, last))
    ]
    return sorted([*said, *found], key=lambda change: change.first)


def _said_change(spans: Sequence[Span], word: TempoWord) -> Change | None:
    """Return the change that a word names, None where the tempo does something else."""
    if not word.kind.is_gradual:
        return None
    inside = [
        k for k, (at, _, _) in enumerate(spans) if k and word.start_beats < at < word.end_beats
    ]
    steps = [spans[k][2] - spans[k - 1][2] for k in inside]
    is_slower = word.kind is TempoKind.SLOWING
    if not steps or any((step > 0) is not is_slower for step in steps):
        return None
    return Change(first=inside[0] - 1, last=inside[-1], word=word)


def _gradual(spans: Sequence[Span]) -> list[tuple[int, int]]:
    """Return (first, last) span of every change that goes step by step in one direction."""
    found = []
    first = 0
    for index in range(1, len(spans) + 1):
        if index < len(spans) and _goes_on(spans, first, index):
            continue
        last = index - 1
        if last - first >= MIN_STEPS and _differs(spans[last][2], spans[first][2]):
            found.append((first, last))
        first = last
    return found


def _goes_on(spans: Sequence[Span], first: int, index: int) -> bool:
    """Whether span `index` goes on in the direction that began at `first`."""
    if index == first + 1:
        return True
    start, end, us = spans[index - 1]
    is_slower = spans[first + 1][2] > spans[first][2]
    return end - start <= HOLDS_BEATS and (spans[index][2] > us) is is_slower


def steady_words(
    words: Iterable[TempoWord],
    moving: Sequence[tuple[Fraction, Fraction]],
    tempo: TempoMap | None,
) -> list[tuple[Fraction, str]]:
    """Return the words of tempos that hold, each where its tempo begins.

    A tempo that comes back after another, or after a gradual change, is "a tempo". "Meno mosso" and
    "più mosso" are said by what went before in the insert, as they mean nothing else. `moving` says
    from where to where the tempo changes; no `tempo` is given where it wavers.
    """
    found: list[tuple[Fraction, str]] = []
    said, said_us, is_left = "", 0, False
    for word in words:
        at = max([word.start_beats, *(b for a, b in moving if a <= word.start_beats < b)])
        us = 0 if tempo is None else tempo.us_per_quarter.at(at)
        text = word.text
        if at >= word.end_beats:
            continue
        if word.kind is not TempoKind.STEADY:
            text = _relative(word, at, tempo)
            is_left = True
        elif text == said:
            is_moved = is_left or any(found[-1][0] <= a < at for a, _ in moving)
            text = BACK if is_moved and not _differs(us, said_us) else ""
        else:
            said, said_us, is_left = text, us, False
        if text:
            found.append((at, text))
    return found


def _relative(word: TempoWord, at: Fraction, tempo: TempoMap | None) -> str:
    """Return what a tempo is that the song named by the one before it; empty for no change."""
    if tempo is None or at == 0:
        return ""
    steps = tempo.us_per_quarter
    us, before = steps.at(at), steps.values[max(steps.index_at(at) - 1, 0)]
    if steps.starts[steps.index_at(at)] != at or not _differs(us, before):
        return ""
    kind = TempoKind.AT_ONCE_SLOWER if us > before else TempoKind.AT_ONCE_FASTER
    return word.text if kind is word.kind else AT_ONCE[kind]


def _new_units(
    bars: Sequence[Bar],
    marks: Sequence[TempoMark],
    moving: Sequence[tuple[Fraction, Fraction]],
) -> list[TempoMark]:
    """Say which note stays as long where a meter counts in another one and the tempo holds."""
    taken = {mark.at_beats for mark in marks if mark.unit is not None}
    new = []
    for before, bar in pairwise(bars):
        at, units = bar.start_beats, (before.full_meter.unit_beats, bar.full_meter.unit_beats)
        is_new = counted_unit(bar.full_meter) != counted_unit(before.full_meter)
        if is_new and at not in taken and not any(start <= at < end for start, end in moving):
            new.append(TempoMark(at_beats=at, unit=min(units), is_equal=True))
    return new

"""Which bars of the song the listener shall hear.

Conventions
-----------
Bars have the numbers that the song prints; where it prints none, as in MIDI, they count from 1 at
the file's first bar, a pick-up included. A window is half open, in quarter
notes from the song's start.
"""

import re
from collections.abc import Sequence
from difflib import get_close_matches
from fractions import Fraction
from itertools import pairwise

from retro.errors import WindowError
from retro.model.performance import Window
from retro.model.phrase import MAX_STRAY_BEATS, Marker, Phrase
from retro.model.settings import Settings
from retro.model.time import (
    Place,
    bar_index,
    beat_words,
    line_beats,
    locate,
    position,
    printed_number,
    printed_place,
)
from retro.model.wording import listed

BARS = re.compile(r"\s*(\d{1,9})\s*(?:[-–]\s*(\d{1,9})\s*)?")
"""``33`` or ``33-36``."""

MAX_DIFFERENCE_S = Fraction(1, 2000)
"""Windows of one length may differ by this much, as tempos are rounded to microseconds."""

PLACE = re.compile(r"\s*(\d{1,9})(?:\.(\d{1,3})(?:\+(\d{1,3}/[1-9]\d{0,2}))?)?\s*")
"""``31`` is bar 31 beat 1, ``31.3`` its beat 3, ``31.3+1/2`` half a beat later."""

MAX_NAMED = 12
"""Markers that a refusal names at most."""


def choose_window(phrase: Phrase, settings: Settings) -> Window:
    """Return the window that bars, places or markers choose, the whole song where none is given.

    Raises
    ------
    WindowError
        Where two of them are given, or are not in the song.
    """
    by_markers = settings.start_marker is not None or settings.end_marker is not None
    by_places = settings.start is not None or settings.end is not None
    if (settings.bars is not None) + by_markers + by_places > 1:
        raise WindowError(
            "two of bars, beats and markers choose the window", advice="give one of them"
        )
    if settings.bars is not None:
        return bars_window(phrase, settings.bars)
    if by_markers:
        return markers_window(phrase, settings.start_marker, settings.end_marker)
    if by_places:
        return places_window(phrase, settings.start, settings.end)
    return _window(phrase, Fraction(0), _end_of(phrase))


def replaced_window(phrase: Phrase, window: Window, replaces: str | None) -> Window:
    """Return the bars where a window sounds that was drafted apart: those that it replaces.

    Raises
    ------
    WindowError
        Where the song does not have them, or they are not as long as the window.
    """
    if replaces is None:
        return window
    there = bars_window(phrase, replaces)
    if abs(there.length_s - window.length_s) > MAX_DIFFERENCE_S:
        raise WindowError(
            f"{window.bar_words} last {float(window.length_s):.3f} s, but {there.bar_words}, which "
            f"they shall replace, {float(there.length_s):.3f} s",
            advice="give both the same meters and tempo",
        )
    return there


def _end_of(phrase: Phrase) -> Fraction:
    """Return where the song ends: a last bar that notes reach into by a hair is none."""
    line = phrase.bars[-1].start_beats
    offs = [note.off_beats for part in phrase.parts for note in part.notes]
    begun = any(note.on_beats >= line for part in phrase.parts for note in part.notes)
    marked = any(marker.at_beats > line for marker in phrase.markers)
    reached = max(offs, default=line)
    if begun or marked or not line < reached < line + MAX_STRAY_BEATS:
        return phrase.length_beats
    return line


def bars_window(phrase: Phrase, bars: str) -> Window:
    """Return the bars from first to last, both inclusive: ``33-36``, or ``33`` alone.

    Raises
    ------
    WindowError
        Where this is no range of bars, or the song does not have them.
    """
    match = BARS.fullmatch(bars)
    if match is None:
        raise WindowError(f"{bars!r} is no range of bars", advice="write 33-36, or 33 for one bar")
    first = int(match[1])
    last = int(match[2] or match[1])
    if last < first:
        raise WindowError(f"bars {bars.strip()} run backwards", advice=f"write {last}-{first}")
    numbers = _numbers(phrase)
    inside = [index for index, number in enumerate(numbers) if first <= number <= last]
    if not {first, last} <= set(numbers):
        raise WindowError(
            f"no bars {bars.strip()}", advice=f"the song has bars {_all_bars(phrase)}"
        )
    return _window(phrase, phrase.bars[inside[0]].start_beats, phrase.bars[inside[-1]].end_beats)


def markers_window(phrase: Phrase, start: str | None, end: str | None) -> Window:
    """Return the span between markers of some texts, upper and lower case alike.

    None stands for the start of the song, and for the next marker, or the end of the song.

    Raises
    ------
    WindowError
        Where no marker has that text, or several have it, or they enclose nothing.
    """
    start_beats = Fraction(0) if start is None else _find(phrase, start, phrase.markers).at_beats
    later = [marker for marker in phrase.markers if marker.at_beats > start_beats]
    if end is not None:
        is_later = any(_folded(marker.text) == _folded(end) for marker in later)
        end_beats = _find(phrase, end, later if is_later else phrase.markers).at_beats
    elif later:
        end_beats = later[0].at_beats
    else:
        end_beats = _end_of(phrase)
    if end_beats <= start_beats:
        raise WindowError(
            f"nothing lies between {_quoted(start)} and {_quoted(end)}",
            advice="the end marker has to come after the start marker",
        )
    return _window(phrase, start_beats, end_beats)


def places_window(phrase: Phrase, start: str | None, end: str | None) -> Window:
    """Return the span between two places: ``31.3`` is bar 31 beat 3, the end is not inside.

    None stands for the start and for the end of the song.

    Raises
    ------
    WindowError
        Where these are no places of the song, or they enclose nothing.
    """
    start_beats = Fraction(0) if start is None else place_beats(phrase, start)
    end_beats = _end_of(phrase) if end is None else place_beats(phrase, end, is_end=True)
    if end_beats <= start_beats:
        raise WindowError(
            f"nothing lies from {start or 'the start of the song'} to {end or 'its end'}",
            advice="the place to which the window goes comes after the one that it begins at",
        )
    return _window(phrase, start_beats, end_beats)


def place_beats(phrase: Phrase, place: str, *, is_end: bool = False) -> Fraction:
    """Return the position of a place such as ``31.3``, bar 31 beat 3, as the song prints bars.

    Raises
    ------
    WindowError
        If it is no place, or as for `beat_position`.
    """
    match = PLACE.fullmatch(place)
    if match is None:
        raise WindowError(
            f"{place!r} is no place", advice="write 31.3 for bar 31 beat 3, or 31.3+1/2"
        )
    beat = int(match[2] or 1) + Fraction(match[3] or 0)
    return beat_position(phrase, int(match[1]), beat, is_end=is_end)


def beat_position(phrase: Phrase, number: int, beat: Fraction, *, is_end: bool = False) -> Fraction:
    """Return the position of a beat of a bar that has a number, as the song prints bars.

    Raises
    ------
    WindowError
        If the song does not have it; its end, the bar after the last, is one where something ends.
    """
    numbers = _numbers(phrase)
    if is_end and number == numbers[-1] + 1 and beat == 1:
        return phrase.length_beats
    if number not in numbers:
        raise WindowError(f"no bar {number}", advice=f"the song has bars {_all_bars(phrase)}")
    index = numbers.index(number)
    at_beats = position(phrase.bars, Place(index + 1, beat))
    bar = phrase.bars[index]
    if not bar.start_beats <= at_beats < bar.end_beats:
        first, last = (
            locate(phrase.bars, bar.start_beats).beat,
            (bar.end_beats - line_beats(phrase.bars, index)) / bar.meter.unit_beats,
        )
        raise WindowError(
            f"bar {number} has no beat {beat_words(beat)}",
            advice=f"its beats are {beat_words(first)} to {beat_words(last)}, in {bar.meter}",
        )
    return at_beats


def bar_at(phrase: Phrase, beats: Fraction) -> int:
    """Return the number of the bar that holds a position; beyond the ends, the nearer bar."""
    return printed_number(phrase.bars, bar_index(phrase.bars, beats) + 1)


def _numbers(phrase: Phrase) -> list[int]:
    """Return the number of every bar as the song prints it."""
    return [printed_number(phrase.bars, count) for count in range(1, len(phrase.bars) + 1)]


def _refuse_repeats(phrase: Phrase, first: int, last: int) -> None:
    """Refuse bars, by their indexes, that are played more than once or lie around a jump.

    Only the parts of a bar that is split have one number and are one bar.
    """
    numbers = _numbers(phrase)
    here = numbers[first:last]
    again = set(here) & {*numbers[:first], *numbers[last:]}
    again |= {
        later
        for bar, (number, later) in zip(phrase.bars[first:last], pairwise(here), strict=False)
        if later < number or (later == number and bar.is_full)
    }
    if again:
        first_again = next(each for each in here if each in again or here.count(each) > 1)
        raise WindowError(
            f"bar {first_again} is played more than once: a repeat touches the window",
            advice="write the repeat out in the score, or choose bars that are played once",
        )


def _window(phrase: Phrase, start: Fraction, end: Fraction) -> Window:
    first = bar_index(phrase.bars, start)
    last = bar_index(phrase.bars, end, is_end=True) + 1
    _refuse_repeats(phrase, first, last)
    return Window(
        start_beats=start,
        end_beats=end,
        start_s=phrase.tempo.seconds_at(start),
        end_s=phrase.tempo.seconds_at(end),
        start_bar=bar_at(phrase, start),
        end_bar=printed_number(phrase.bars, last),
        start_beat=(
            None if start == phrase.bars[first].start_beats else locate(phrase.bars, start).beat
        ),
        end_beat=None if end == phrase.bars[last - 1].end_beats else locate(phrase.bars, end).beat,
    )


def _find(phrase: Phrase, text: str, among: Sequence[Marker]) -> Marker:
    wanted = _folded(text)
    found = [marker for marker in among if _folded(marker.text) == wanted]
    if len(found) == 1:
        return found[0]
    if not found:
        raise WindowError(f"no marker {_quoted(text)}", advice=_known(phrase, wanted))
    bars = ", ".join(place_words(phrase, marker.at_beats) for marker in found[:MAX_NAMED])
    raise WindowError(
        f"{len(found)} markers are called {_quoted(text)}, at {bars}",
        advice="choose the window by bars",
    )


def _known(phrase: Phrase, wanted: str) -> str:
    """Name the markers that are nearest to what was wanted, or all."""
    if not phrase.markers:
        return f"the song has no markers, choose by bars {_all_bars(phrase)}"
    by_folded = {_folded(marker.text): marker for marker in phrase.markers}
    near = get_close_matches(wanted, by_folded, n=3)
    if near:
        return "did you mean " + " or ".join(_placed(phrase, by_folded[key]) for key in near)
    named = [_placed(phrase, marker) for marker in phrase.markers]
    return f"the song has {listed(named, MAX_NAMED)}"


def _placed(phrase: Phrase, marker: Marker) -> str:
    return f"{_quoted(marker.text)} ({place_words(phrase, marker.at_beats)})"


def place_words(phrase: Phrase, beats: Fraction) -> str:
    """Return a place in words: "bar 5", or "bar 5 beat 3" inside a bar."""
    place = printed_place(phrase.bars, beats)
    if beats in {bar.start_beats for bar in phrase.bars}:
        return f"bar {place.bar}"
    return str(place)


def _all_bars(phrase: Phrase) -> str:
    numbers = _numbers(phrase)
    return f"{min(numbers)}-{max(numbers)}"


def _folded(text: str) -> str:
    return " ".join(text.casefold().split())


def _quoted(text: str | None) -> str:
    return "the edge of the song" if text is None else f"{text!r}"

"""What stands over a whole system: tempo, count-in, boxed bar numbers, beat groups; and where.

Conventions
-----------
Positions are quarter notes on insert time; the count-in lies before 0.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

from lxml import etree

from retro.model.phrase import Phrase
from retro.model.time import Bar, Meter, bar_index
from retro.musicxml.elements import (
    DIVISIONS,
    add_offset,
    direction,
    element,
    metronome,
    sound_tempo,
    words,
)
from retro.musicxml.measures import sequence
from retro.notation.tempo import TempoMark, tempo_marks
from retro.units import us_per_quarter_to_bpm

TEMPO_STYLE = {"font-style": "normal", "font-weight": "bold"}
"""Tempo words are upright and bold (common practice)."""

BARS_A_LETTER = 4
"""Every so many bars a boxed number helps to find the place (session practice, from memory)."""


@dataclass(frozen=True, kw_only=True)
class Frame:
    """What all parts have in common."""

    letter: str
    insert: Phrase
    count_in: tuple[Bar, ...]
    folds: bool = True

    @cached_property
    def bars(self) -> tuple[Bar, ...]:
        """Bars of the count-in and of the insert."""
        return (*self.count_in, *self.insert.bars)

    @cached_property
    def tempo_marks(self) -> tuple[TempoMark, ...]:
        """What is printed of the tempo."""
        return tempo_marks(self.insert.tempo, self.insert.bars, self.insert.tempo_words)

    @property
    def start_beats(self) -> Fraction:
        """Start of the count-in."""
        return self.bars[0].start_beats


def place(
    measures: Sequence[etree._Element],
    frame: Frame,
    at: Fraction,
    placed: etree._Element,
    *,
    is_end: bool = False,
) -> None:
    """Put a direction before the note that it belongs to, or at its offset inside a longer note.

    `is_end` puts the end of a line at the end of its bar, not at the start of the next.
    """
    index = bar_index(frame.bars, at, is_end=is_end)
    inside = at - frame.bars[index].start_beats
    notes = list(sequence(measures[index]))
    if inside == frame.bars[index].length_beats:
        _last_of_chord(notes[-1][1]).addnext(placed)
        return
    begun = ((Fraction(place, DIVISIONS), note) for place, note in reversed(notes))
    start, note = next((place, note) for place, note in begun if place <= inside)
    if inside != start:
        add_offset(placed, inside - start)
    note.addprevious(placed)


def _last_of_chord(note: etree._Element) -> etree._Element:
    following = note.getnext()
    while following is not None and following.find("chord") is not None:
        note, following = following, following.getnext()
    return note


def add_system(body: etree._Element, frame: Frame) -> None:
    """Put in what stands over the system: tempo, count-in, the insert's letter, beat groups."""
    measures = list(body)
    add_tempos(body, frame)
    for at, us in _silent_steps(frame):
        place(measures, frame, at, sound_tempo(us_per_quarter_to_bpm(us)))
    if text := _click_words(frame):
        place(measures, frame, frame.start_beats, words(text, above=True))
    add_letters(body, frame)
    for at, groups in _printed_groups(frame.bars):
        place(measures, frame, at, words(groups, above=True))


def _click_words(frame: Frame) -> str:
    """Return how long the click counts in, and how fast where the tempo mark is only near it."""
    count, speed = len(frame.count_in), frame.tempo_marks[0].click
    click = f"click at {speed}" if speed else "click"
    if not count:
        return click if speed else ""
    return f"{click}, {count} bar{'s' if count > 1 else ''}"


def add_tempos(body: etree._Element, frame: Frame) -> None:
    """Print the tempo marks; metronome marks say the exact tempo too."""
    for mark in frame.tempo_marks:
        at = frame.start_beats if mark.at_beats == 0 and mark.unit is not None else mark.at_beats
        kinds = [element("words", mark.words, **TEMPO_STYLE)] if mark.words else []
        if mark.unit is not None:
            kinds.append(metronome(mark.unit, mark.per_minute))
        printed = direction(*kinds, above=True)
        if mark.unit is not None:
            us = frame.insert.tempo.us_per_quarter.at(mark.at_beats)
            printed.append(sound_tempo(us_per_quarter_to_bpm(us)))
        place(list(body), frame, at, printed)


def add_letters(body: etree._Element, frame: Frame) -> None:
    """Print the boxed letter with the number of every fourth bar, the first one included."""
    for number, bar in enumerate(frame.insert.bars, start=1):
        if number % BARS_A_LETTER == 1:
            letter = element("rehearsal", f"{frame.letter}{number}", enclosure="rectangle")
            place(list(body), frame, bar.start_beats, direction(letter, above=True))


def _silent_steps(frame: Frame) -> list[tuple[Fraction, int]]:
    """Return the steps of the tempo where no metronome mark is printed."""
    printed = {mark.at_beats for mark in frame.tempo_marks if mark.unit is not None}
    steps = frame.insert.tempo.us_per_quarter.spans()
    return [(start, us) for start, _, us in steps if start not in printed]


def _printed_groups(bars: Sequence[Bar]) -> list[tuple[Fraction, str]]:
    """Return "3+2+2" where an additive meter begins."""
    printed = []
    meter: Meter | None = None
    for bar in bars:
        if bar.meter != meter and len(set(bar.meter.groups)) > 1:
            printed.append((bar.start_beats, "+".join(map(str, bar.meter.groups))))
        meter = bar.meter
    return printed

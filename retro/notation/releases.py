"""Release marks: when to let go, since a release becomes an attack.

Where a long note (or the player's last) ends before a rest, the count on which to let go stands
over the rest in plain words: "off 3" on the third count, "off 2&" half-way after the second, "off
before 3" or "off after 2" nearer to one of them. A count is the unit of the meter. Struck tones
that nothing stops say "let ring" instead; struck tones that a hand or a damper stops say "damp 3".
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import accumulate

from retro.model.instruments import Sound
from retro.model.performance import Performance
from retro.model.time import Bar, bar_index, locate
from retro.notation.score import Articulation, Chord, Direction, Mark

MIN_BEATS = Fraction(1)
"""Shorter notes before a rest let go by themselves (common practice)."""

MIN_ALIKE = 3
"""Marks that are said once where all of a part say the same (our own choice)."""

NAMED = {
    Fraction(0): "on the bar line",
    Fraction(1, 8): "a 32nd before the bar line",
    Fraction(1, 4): "a 16th before the bar line",
    Fraction(1, 2): "an eighth before the bar line",
    Fraction(1): "a quarter before the bar line",
}
"""How places before a bar line are named."""

AT_THE_END = "at the end"


def release_marks(performance: Performance, chords: Sequence[Chord]) -> tuple[Direction, ...]:
    """Return one direction per place at which a player, of all chords, lets go before a rest."""
    if not chords:
        return ()
    instrument = performance.player_of(chords[0].notes[0]).instrument
    word = "off" if instrument.sound is Sound.SUSTAINED else "damp"
    marks: dict[Fraction, str] = {}
    for chord in _ending(performance, chords):
        if not rings(performance, chord):
            at, count = _count(performance, chord)
            marks[at] = f"{word} {count}"
    return tuple(Direction(at_beats=at, text=marks[at], is_release=True) for at in sorted(marks))


def briefly(performance: Performance, marks: tuple[Direction, ...]) -> tuple[Direction, ...]:
    """Return the `release_marks` of a part, said once where all of them say the same."""
    if len(marks) < MIN_ALIKE:
        return marks
    bars = performance.insert.bars
    words = marks[0].text.partition(" ")
    before_line = {_before_the_line(bars, mark) for mark in marks}
    value = before_line.pop() if len(before_line) == 1 else None
    if value is not None and value in NAMED:
        text = f"always {words[0]} {NAMED[value]}"
    elif len({mark.text for mark in marks}) == 1:
        text = f"always {marks[0].text}"
    else:
        return marks
    return (replace(marks[0], text=text),)


def _before_the_line(bars: Sequence[Bar], mark: Direction) -> Fraction:
    """Return how long before a bar line a mark has the player let go, in quarter notes."""
    if mark.text.endswith(AT_THE_END):
        return Fraction(0)
    bar = bars[bar_index(bars, mark.at_beats)]
    return bar.end_beats - mark.at_beats if mark.at_beats > bar.start_beats else Fraction(0)


def ring_marks(performance: Performance, chords: Sequence[Chord]) -> tuple[Mark, ...]:
    """Return "let ring" for struck tones, of all chords of a player, that nobody stops."""
    return tuple(
        Mark(at_beats=chord.on_beats, kind=Articulation.LET_RING)
        for chord in _ending(performance, chords)
        if rings(performance, chord) and _outlasts(performance, chord)
    )


def rings(performance: Performance, chord: Chord) -> bool:
    """Whether a chord is struck and its stop shapes nothing that is heard."""
    player = performance.player_of(chord.notes[0])
    if player.instrument.sound is Sound.SUSTAINED:
        return False
    return player.instrument.damper_s is None or player.lands_at_start


def _outlasts(performance: Performance, chord: Chord) -> bool:
    """Whether the tone's own decay is longer than its written value."""
    struck = max(performance.notes[i].written_on_beats for i in chord.all_notes)
    written_s = performance.insert.tempo.span_s(struck, chord.off_beats)
    return any(performance.notes[i].decay_s > written_s for i in chord.notes)


def _ending(performance: Performance, chords: Sequence[Chord]) -> Iterable[Chord]:
    """Yield the long chords after which the player rests for a unit, and the last of all."""
    unit = performance.settings.grid_beats
    in_order = sorted(chords, key=lambda chord: chord.on_beats)
    starts = [chord.on_beats for chord in in_order]
    latest_offs = [*accumulate((chord.off_beats for chord in in_order), max)]
    last = latest_offs[-1] if latest_offs else Fraction(0)
    for chord in chords:
        off = chord.off_beats
        if off - chord.on_beats < MIN_BEATS and off != last:
            continue
        begun, following = bisect_left(starts, off), bisect_right(starts, off)
        starts_there = begun < following
        goes_on = starts_there or (following < len(starts) and starts[following] - off < unit)
        held = begun > 0 and latest_offs[begun - 1] > off
        if not goes_on and not held:
            yield chord


def _count(performance: Performance, chord: Chord) -> tuple[Fraction, str]:
    """Return where the mark stands and what it says."""
    at = chord.off_beats
    if at >= performance.insert.length_beats:
        return max(at - performance.settings.grid_beats, chord.on_beats), AT_THE_END
    bars = performance.insert.bars
    place = locate(bars, at)
    bar = bars[place.bar - 1]
    number, beyond = divmod(place.beat, 1)
    if beyond == 0:
        return at, f"{number}"
    if beyond == Fraction(1, 2):
        return at, f"{number}&"
    if beyond < Fraction(1, 2):
        return at, f"after {number}"
    if number < bar.meter.numerator:
        return at, f"before {number + 1}"
    return at, "before the end" if place.bar == len(bars) else "before 1"

"""The bars of a MIDI file: from the meters that it states and the places where it states them.

Every stated meter begins a new bar. Programs that quantize or round leave a meter a few ticks off
the bar line that it stands on; it is taken as on it, or the bar before would last a note value
that nobody writes. Notes stay where they are.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from fractions import Fraction

from retro.errors import LimitError, SettingsError
from retro.model.settings import BeatGroups
from retro.model.time import Bar, Meter, with_pick_up
from retro.read.song import MAX_BARS

NEAR_LINE_BEATS = Fraction(1, 32)
"""A meter this near to a bar line is on it: a 128th note, shorter than any bar that music has (our
own choice)."""

MAX_METER_UNITS = 64
"""Most units that a meter counts: 64/4 is the widest."""


def grouped(meter: Meter, stated: Iterable[BeatGroups]) -> Meter:
    """Return a meter with the beat groups that are stated for it, if any.

    Raises
    ------
    SettingsError
        Where they do not fill it.
    """
    groups = next((each.groups for each in stated if each.meter == str(meter)), meter.groups)
    try:
        return replace(meter, groups=groups)
    except ValueError as fault:
        raise SettingsError(str(fault), where="meter_groups") from None


def on_bar_lines(
    meters: Mapping[Fraction, Meter],
) -> tuple[dict[Fraction, Meter], dict[Fraction, Fraction]]:
    """Return meters by bar line, and the line of each position that was near one but not on it.

    `meters` are by position in quarter notes; one of them is at 0.
    """
    first, *later = sorted(meters)
    placed = {first: meters[first]}
    moved = {}
    start = first
    for at in later:
        length = placed[start].length_beats
        line = start + round((at - start) / length) * length
        near = min(NEAR_LINE_BEATS, length / 4)
        if at != line and abs(at - line) <= near:
            moved[at] = line
        else:
            line = at
        placed[line] = meters[at]
        start = line
    return placed, moved


def bars_of(meters: Mapping[Fraction, Meter], last: Fraction, name: str) -> tuple[Bar, ...]:
    """Return the bars up to the one that holds `last`; every stated meter begins a new bar.

    Raises
    ------
    LimitError
        Where they are more than `MAX_BARS`, or one of them is wider than `MAX_METER_UNITS`.
    """
    starts = sorted(meters)
    bars: list[Bar] = []
    for index, start in enumerate(starts):
        if bars and start >= last:
            break
        meter = meters[start]
        if meter.numerator > MAX_METER_UNITS:
            raise LimitError(
                f"bar {len(bars) + 1} is in {meter}; a bar has at most {MAX_METER_UNITS} units",
                where=name,
                advice="write it as several bars",
            )
        following = starts[index + 1] if index + 1 < len(starts) else None
        end = last if following is None else min(last, following)
        count = max(math.ceil((end - start) / meter.length_beats), 1)
        if len(bars) + count > MAX_BARS:
            raise LimitError(f"runs over more than {MAX_BARS} bars", where=name)
        for passed in range(count):
            bar_start = start + passed * meter.length_beats
            bar_length = meter.length_beats
            if following is not None:
                bar_length = min(bar_length, following - bar_start)
            bars.append(Bar(bar_start, bar_length, meter))
    return with_pick_up(tuple(bars))

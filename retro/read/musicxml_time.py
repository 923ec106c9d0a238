"""Meters of MusicXML scores."""

from fractions import Fraction

from lxml import etree

from retro.model.time import Meter
from retro.read.written_numbers import counted_of

DENOMINATORS = (1, 2, 4, 8, 16, 32, 64, 128)

MAX_UNITS = 199
"""Largest numerator of a meter."""


def meter_of(element: etree._Element) -> Meter | None:
    """Return the meter of a ``time`` element, None for music without one.

    Several fractions (2/4 + 3/8) become one meter in the smallest of their units, whose beat groups
    are theirs.
    """
    pairs = []
    counts, units = element.findall("beats"), element.findall("beat-type")
    for beats, beat_type in zip(counts, units, strict=False):
        sizes = [counted_of(size, MAX_UNITS) or 0 for size in (beats.text or "").split("+")]
        unit = counted_of(beat_type.text, DENOMINATORS[-1]) or 0
        if 0 in sizes or unit not in DENOMINATORS:
            return None
        pairs.append((sizes, unit))
    if not pairs:
        return None
    smallest = max(unit for _, unit in pairs)
    groups = tuple(size * (smallest // unit) for sizes, unit in pairs for size in sizes)
    if sum(groups) > MAX_UNITS:
        return None
    if len(groups) == 1:
        return Meter.plain(groups[0], smallest)
    return Meter(sum(groups), smallest, groups)


ROUNDED_BEATS = Fraction(1, 64)
"""A bar this near to the length of its meter has it: exporters round tuplets to whole divisions
(our own choice, below the shortest unit that a meter counts)."""


def without_rounding(length: Fraction, meter: Meter | None) -> Fraction:
    """Return the length of a bar, that of its meter where an exporter's rounding parts them."""
    if meter is not None and abs(length - meter.length_beats) <= ROUNDED_BEATS:
        return meter.length_beats
    return length


def fitting_meter(meter: Meter | None, length: Fraction) -> Meter | None:
    """Return a meter whose full bar is at least as long as a bar: the one in force where it can be.

    None where a bar that is longer than its meter cannot be counted in any unit down to a 128th.
    """
    if meter is not None and length <= meter.length_beats:
        return meter
    coarsest = 4 if meter is None else meter.denominator
    for denominator in DENOMINATORS:
        units = length * denominator / 4
        if denominator >= coarsest and units.denominator == 1 and units <= MAX_UNITS:
            return Meter.plain(int(units), denominator)
    return None

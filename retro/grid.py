"""The written grid: performed times become times that can be written and read.

Residuals are what the paper cannot say; the plan reports them.
"""

from fractions import Fraction

from retro.model.phrase import Phrase
from retro.units import nearest

Span = tuple[Fraction, Fraction]


def snap(phrase: Phrase, *, grid_beats: Fraction) -> tuple[tuple[Span, ...], ...]:
    """Bring every note of a phrase to the grid.

    Returns
    -------
    tuple of tuple of (on_beats, off_beats)
        Per part and note, in the phrase's order; each span is at least one unit long and lies
        inside the phrase.
    """
    return tuple(
        tuple(
            _snap_span(note.on_beats, note.off_beats, grid_beats, phrase.length_beats)
            for note in part.notes
        )
        for part in phrase.parts
    )


def _snap_span(on: Fraction, off: Fraction, unit: Fraction, length: Fraction) -> Span:
    start = min(nearest(on / unit) * unit, max(length - unit, Fraction(0)))
    return start, min(max(nearest(off / unit) * unit, start + unit), length)

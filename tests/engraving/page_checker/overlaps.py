"""Ink that lies over ink which it must not touch."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from tests.engraving.page_checker.ink import SPACE, Ink

ENOUGH = 0.03
"""Area of overlap, in square staff spaces, from which on a reader sees it: a third of a stem
that passes through a space (a stem is a tenth of a space wide)."""

CLEAR = 0.12
"""Staff spaces that words keep from notes and other words, so that they do not seem to touch."""

GRID = 6.0
"""How finely two shapes are compared, in picture units."""

WRITTEN = frozenset({"words", "dynamics", "rehearsal mark", "bar number", "name"})
MUSIC = frozenset({"head", "stem", "beam", "flag", "accidental", "rest", "dot", "mark", "tremolo"})
LINES = frozenset({"staff line", "ledger line"})
SIGNS = frozenset({"clef", "key", "meter"})
CURVES = frozenset({"slur", "tie"})

MAY_TOUCH: frozenset[frozenset[str]] = frozenset(
    frozenset(pair)
    for pair in [
        # What stands on a staff stands on its lines.
        *((one, line) for one in MUSIC | SIGNS | CURVES for line in LINES),
        *((one, "staff line") for one in ("bar line", "arpeggio", "glissando", "bracket")),
        ("tuplet", "staff line"),
        ("staff line", "ledger line"), ("staff line", "staff line"), ("ledger line", "ledger line"),
        ("glissando", "ledger line"), ("arpeggio", "ledger line"),
        # One thing in two pieces.
        *((one, one) for one in ("bar line", "bracket", "hairpin", "octave line", "tuplet")),
        ("pedal", "pedal"),
        *((one, one) for one in ("slur", "tie", "stem", "beam", "meter", "rest")),
        ("rehearsal mark", "rehearsal mark"), ("bar line", "bracket"), ("slur", "tie"),
        # Curves begin and end by stems, and pass over bar lines.
        *((curve, one) for curve in CURVES for one in ("stem", "bar line")),
        ("slur", "beam"), ("slur", "flag"), ("slur", "tuplet"),
        ("hairpin", "bar line"), ("octave line", "bar line"), ("tuplet", "bar line"),
        ("pedal", "bar line"), ("glissando", "bar line"), ("beam", "bar line"),
        # From stave to stave it crosses what stands between them.
        ("glissando", "hairpin"),
    ]
)  # fmt: skip
"""Kinds that may touch each other."""

OWN = frozenset(
    frozenset(pair)
    for pair in [
        ("head", "stem"), ("stem", "flag"), ("stem", "beam"), ("stem", "tremolo"),
        ("beam", "tremolo"),
        ("head", "head"), ("head", "tie"), ("head", "slur"), ("tuplet", "beam"), ("tuplet", "stem"),
        ("head", "glissando"), ("mark", "stem"), ("head", "arpeggio"), ("tremolo", "tremolo"),
        ("flag", "tremolo"),
    ]
)  # fmt: skip
"""Kinds that may touch where they belong to one note, chord, beam or tuplet."""


def overlaps(ink: list[Ink]) -> Iterator[tuple[Ink, Ink, float]]:
    """Yield each two shapes that touch and must not, with the area in square staff spaces.

    The area is 0 where they do not overlap, but stand nearer than `CLEAR`.
    """
    boxes = np.array([shape.box for shape in ink]).reshape(-1, 4)
    near = CLEAR * SPACE
    order = np.argsort(boxes[:, 0])
    for place, first in enumerate(order):
        later = order[place + 1 :]
        later = later[: np.searchsorted(boxes[later, 0], boxes[first, 2] + near)]
        beside = (boxes[later, 1] < boxes[first, 3] + near) & (
            boxes[later, 3] > boxes[first, 1] - near
        )
        for second in later[beside]:
            one, other = ink[first], ink[second]
            if may_touch(one, other):
                continue
            area = common_area(one, other) / SPACE**2
            if area > ENOUGH:
                yield one, other, area
            elif _keeps_clear(one, other) and _is_near(one, other):
                yield one, other, 0.0


def _keeps_clear(one: Ink, other: Ink) -> bool:
    """Whether two shapes must not even seem to touch."""
    return any(
        a.kind in WRITTEN and b.kind in MUSIC | WRITTEN | CURVES
        for a, b in ((one, other), (other, one))
    )


def _is_near(one: Ink, other: Ink) -> bool:
    """Whether two shapes stand nearer than `CLEAR`, looked for in eight directions."""
    for turn in np.arange(8) * np.pi / 4:
        away = CLEAR * SPACE * np.array([np.cos(turn), np.sin(turn)])
        if common_area(_moved(one, away), other) > 0.0:
            return True
    return False


def _moved(shape: Ink, by: np.ndarray) -> Ink:
    left, top, right, bottom = shape.box
    box = (left + by[0], top + by[1], right + by[0], bottom + by[1])
    return replace(shape, box=box, outlines=tuple(outline + by for outline in shape.outlines))


def may_touch(one: Ink, other: Ink) -> bool:
    """Whether these two are allowed to touch."""
    pair = frozenset({one.kind, other.kind})
    if pair in MAY_TOUCH:
        return True
    if one.piece and one.piece == other.piece:
        return True
    if pair in OWN and (one.owners & other.owners or pair & CURVES):
        return True
    return pair == {"head"} and _same_place(one, other)


def _same_place(one: Ink, other: Ink) -> bool:
    """Whether two heads are one head that two voices share."""
    return bool(np.abs(np.subtract(one.box, other.box)).max() < SPACE / 10)


def common_area(one: Ink, other: Ink) -> float:
    """The area that two shapes have in common, in square picture units."""
    left, top = np.maximum(one.box[:2], other.box[:2])
    right, bottom = np.minimum(one.box[2:], other.box[2:])
    if right <= left or bottom <= top:
        return 0.0
    columns = max(int(np.ceil((right - left) / GRID)), 4)
    rows = max(int(np.ceil((bottom - top) / GRID)), 4)
    x = left + (np.arange(columns) + 0.5) * (right - left) / columns
    y = top + (np.arange(rows) + 0.5) * (bottom - top) / rows
    both = _inside(one, x, y) & _inside(other, x, y)
    return float(both.mean() * (right - left) * (bottom - top))


def _inside(shape: Ink, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Which points of a grid a shape covers, by how often its outlines wind round them."""
    winding = np.zeros((len(y), len(x)), dtype=int)
    for outline in shape.outlines:
        ends = np.roll(outline, -1, axis=0)
        for (x0, y0), (x1, y1) in zip(outline, ends, strict=True):
            if y0 == y1:
                continue
            crossed = (y >= min(y0, y1)) & (y < max(y0, y1))
            if not crossed.any():
                continue
            at = x0 + (y[crossed] - y0) * (x1 - x0) / (y1 - y0)
            winding[crossed] += np.where(x[None, :] < at[:, None], 1 if y1 > y0 else -1, 0)
    return winding != 0

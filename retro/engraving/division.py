"""Which bars stand together on one line of a part: even lines, neither crowded nor thin.

Conventions
-----------
Bars count from 0 as they are printed (a multi-bar rest is one). Widths are millimetres at the
engraver's closest spacing.
"""

from collections.abc import Collection, Sequence

EASE = 1.2
"""How much wider than at its closest spacing a line is wanted (4 to 5 busy bars a line)."""

TIGHT = 1.05
"""The same where it saves a page that would be all but empty."""

HEAD_MM = 14.0
"""What clef and key signature take at the start of each later line, about."""

CROWDED = 4.0
"""How much worse a crowded line is than a thin one."""


def divide_bars(
    widths_mm: Sequence[float],
    line_mm: float,
    must_start: Collection[int] = (),
    count_in: int = 0,
    ease: float = EASE,
) -> tuple[int, ...]:
    """Divide bars into lines: return the first bar of each line after the first.

    The width of the first bar includes clef and key signature. Each bar of `must_start` begins a
    line; no line ends among the `count_in` bars before the music, or with them. A line is wanted
    `ease` times as wide as at its closest spacing.
    """
    best: list[tuple[float, tuple[int, ...]]] = [(0.0, ())]
    for end in range(1, len(widths_mm) + 1):
        candidates: list[tuple[float, tuple[int, ...]]] = []
        for start in range(end - 1, -1, -1):
            if 0 < start <= count_in and start < len(widths_mm):
                continue
            wanted_mm = ease * sum(widths_mm[start:end]) + (HEAD_MM if start else 0.0)
            fill = wanted_mm / line_mm
            if candidates and fill > ease:
                break
            cost, starts = best[start]
            candidates.append((cost + _badness(fill), (*starts, start)))
            if start in must_start:
                break
        best.append(min(candidates))
    return best[-1][1][1:]


def _badness(fill: float) -> float:
    """Return how bad a line is by its fill, 1 being as wanted."""
    return (1.0 - fill) ** 2 * (CROWDED if fill > 1.0 else 1.0)

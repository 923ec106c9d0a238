"""Lines and pages of the insert in the song's own score, as long as the song's own."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median_low

from lxml import etree

from retro.musicxml.elements import element


@dataclass(frozen=True, slots=True, kw_only=True)
class Breaks:
    """How often a score goes to a new line, and to a new page; None where it leaves that open."""

    bars_a_line: int | None
    lines_a_page: int | None


def breaks_of(parts: Sequence[Sequence[etree._Element]]) -> Breaks:
    """Return the rule of a score, by its middle line and page; `parts` are measures of each part.

    A break of any part is one of all. The last line and the last page may be short, so they count
    for nothing, but where there is no other.
    """
    pages, lines = ({0}, {0})
    for measures in parts:
        for index, measure in enumerate(measures):
            for said in measure.iterchildren("print"):
                pages |= {index} if said.get("new-page") == "yes" else set()
                lines |= {index} if said.get("new-system") == "yes" else set()
    lines |= pages
    count = max(map(len, parts))
    if len(lines) == 1:
        return Breaks(bars_a_line=None, lines_a_page=None)
    ordered = sorted(lines)
    lengths = [b - a for a, b in zip(ordered, [*ordered[1:], count], strict=True)]
    turned = [ordered.index(page) for page in sorted(pages)]
    heights = [b - a for a, b in zip(turned, [*turned[1:], len(ordered)], strict=True)]
    return Breaks(
        bars_a_line=_usual(lengths), lines_a_page=_usual(heights) if len(pages) > 1 else None
    )


def _usual(sizes: Sequence[int]) -> int:
    return median_low(sizes[:-1] or sizes)


def add_breaks(body: etree._Element, breaks: Breaks) -> None:
    """Begin an insert on a new page, and go on in lines and pages by the song's rule."""
    for index, measure in enumerate(body):
        kind = "new-page" if index == 0 else _kind(index, breaks)
        if kind:
            measure.insert(0, element("print", **{kind: "yes"}))


def _kind(index: int, breaks: Breaks) -> str:
    if breaks.bars_a_line is None or index % breaks.bars_a_line:
        return ""
    line = index // breaks.bars_a_line
    is_page = breaks.lines_a_page is not None and line % breaks.lines_a_page == 0
    return "new-page" if is_page else "new-system"

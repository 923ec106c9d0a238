"""Where ink lies on its page: margins, systems, running texts, ledger lines."""

from collections.abc import Iterator

from retro.engraving.engrave import LaidOut, Sheet
from retro.engraving.layout import MARGIN_MM, Kind, TextLine
from retro.units import points_to_mm
from tests.engraving.page_checker.findings import Finding
from tests.engraving.page_checker.ink import SPACE, Ink, Picture
from tests.engraving.page_checker.letters import Run, size
from tests.engraving.page_checker.overlaps import WRITTEN

MAX_LEDGER_LINES = 4
"""Ledger lines that are read at sight (common practice); above them an ottava is written."""

READ_LEDGER_LINES = ("tuba", "trombone", "bassoon", "fagott", "horn", "flute", "piccolo")
"""Players who read ledger lines and no ottava (common practice; the textbooks grant the flute a
choice)."""

A_HAIR_MM = 0.5
"""What a page may be wrong by before anybody sees it: so far a parenthesis rises above capitals."""

Box = tuple[float, float, float, float]


def ledger_lines(sheet: Sheet, picture: Picture) -> Iterator[tuple[Ink, int]]:
    """Yield heads with more ledger lines than are read, and how many they have."""
    if any(name in sheet.player.lower() for name in READ_LEDGER_LINES):
        return
    staves: dict[tuple[int, int], list[float]] = {}
    for shape in picture.ink:
        if shape.kind == "staff line":
            middle = (shape.box[1] + shape.box[3]) / 2
            staves.setdefault((shape.bar, shape.staff), []).append(middle)
    for shape in picture.ink:
        lines = staves.get((shape.bar, shape.staff), [])
        if shape.kind != "head" or len(lines) < 5:
            continue
        middle = (shape.box[1] + shape.box[3]) / 2
        away = max(min(lines) - middle, middle - max(lines))
        count = int((away + SPACE / 4) // SPACE)
        if count > MAX_LEDGER_LINES:
            yield shape, count


def on_page(laid_out: LaidOut, corner_mm: tuple[float, float], picture: Picture, box: Box) -> Box:
    """Where a box of a picture lies on its page, in mm."""
    unit_mm = laid_out.frame.page_width_mm / picture.width
    left, top, right, bottom = (unit_mm * (side + picture.edge) for side in box)
    x, y = corner_mm
    return (x + left, y + top, x + right, y + bottom)


def text_box(line: TextLine) -> Box:
    """Where a running text lies, in mm, as the page setter sets it."""
    run = Run(line.text, weight=line.weight, style=line.style)
    width, above, below = size(run)
    em_mm = points_to_mm(line.size_pt)
    fit = min(1.0, line.width_mm / max(width * em_mm, 0.1))
    spare_mm = line.width_mm - width * em_mm * fit
    left = line.x_mm + {"left": 0.0, "center": 0.5, "right": 1.0}[line.align] * spare_mm
    # The setter puts the top of the capitals at the top of the line.
    baseline = line.y_mm + CAPITALS * em_mm * fit
    return (
        left,
        baseline - above * em_mm * fit,
        left + width * em_mm * fit,
        baseline + below * em_mm * fit,
    )


CAPITALS = 0.658
"""Height of the capitals of the text font, in its size (its own `capHeight`)."""


def misplaced(
    sheet: Sheet, laid_out: LaidOut, pictures: list[Picture]
) -> Iterator[tuple[int, Finding]]:
    """Yield what stands wrong on the pages, each with its page."""
    for number, page in enumerate(laid_out.pages, start=1):
        texts = [line for line in laid_out.texts[number - 1] if line.text]
        above = [(text_box(line), f"running text {line.text!r}") for line in texts]
        for line in texts:
            if _outside(text_box(line), laid_out):
                yield number, Finding("text over the margin", f"page {number}", line.text)
        for n, corner in enumerate(laid_out.placed(page)):
            picture = pictures[page.first + n]
            where = f"page {number}, line {n + 1}"
            placed = [(on_page(laid_out, corner, picture, s.box), s) for s in picture.ink]
            for box, shape in placed:
                if (outside := _outside(box, laid_out)) and shape.kind != "staff line":
                    yield number, _over_margin(shape, f"{where}, {shape.where}", outside)
            yield from ((number, found) for found in _lines_apart(above, placed, where))
            above = [(box, f"{s.kind} {s.words}".strip()) for box, s in placed] + above[
                : len(texts)
            ]
            if not any(shape.kind == "head" for shape in picture.ink) and _should_play(
                sheet, pictures
            ):
                yield number, Finding("empty system", where, "no notes")


def _should_play(sheet: Sheet, pictures: list[Picture]) -> bool:
    """Whether an empty line is a waste: in a score always, in a part never."""
    playing = [any(shape.kind == "head" for shape in picture.ink) for picture in pictures]
    return sheet.kind is Kind.SCORE and any(playing)


def _outside(box: Box, laid_out: LaidOut) -> str:
    """Which margin a box lies over, if any."""
    paper = laid_out.paper
    edges = {
        "left": MARGIN_MM - box[0],
        "top": MARGIN_MM - box[1],
        "right": box[2] - (paper.width_mm - MARGIN_MM),
        "bottom": box[3] - (paper.height_mm - MARGIN_MM),
    }
    worst = max(edges, key=edges.__getitem__)
    return f"{worst} margin, by {edges[worst]:.1f} mm" if edges[worst] > A_HAIR_MM else ""


def _over_margin(shape: Ink, where: str, outside: str) -> Finding:
    kind = "text over the margin" if shape.kind in WRITTEN else f"{shape.kind} over the margin"
    return Finding(kind, where, f"{shape.words or shape.kind}: {outside}")


def _lines_apart(
    above: list[tuple[Box, str]], placed: list[tuple[Box, Ink]], where: str
) -> Iterator[Finding]:
    """Yield what of a line lies over the line or the running text above it."""
    if not placed or not above:
        return
    top = min(box[1] for box, _ in placed)
    near = [(box, what) for box, what in above if box[3] > top]
    for box, shape in placed:
        for upper, what in near:
            if all(box[side] < upper[side + 2] and upper[side] < box[side + 2] for side in (0, 1)):
                yield Finding(
                    "lines over each other",
                    f"{where}, {shape.where}",
                    f"{shape.words or shape.kind} over {what}",
                )

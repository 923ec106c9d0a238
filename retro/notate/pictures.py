"""The engraver's pictures: made ready for print, and measured.

Conventions
-----------
A picture is one system as SVG. Its page is drawn in `UNITS_A_MM`; inside, all places are given in
tenths of these units, from the corner inside the blank edge.
"""

import re

from lxml import etree

from retro.errors import ReadError
from retro.notate.fonts import TEMPO_MARKS_FAMILY, TEXT_FAMILY
from retro.notate.layout import System
from retro.units import points_to_mm

UNITS_A_MM = 10
"""The engraver's page units in a millimetre."""

TENTHS_A_MM = 10 * UNITS_A_MM

BLEED_MM = 5.0
"""Blank edge round each picture, so that nothing that hangs over is cut off."""

BAR_NUMBER_PT = 9.0
"""Smallest size of bar numbers (common practice)."""

LETTER_EM = 0.4
"""Width of a letter of running text in its size, about (measured in the text font)."""

SVG = "{http://www.w3.org/2000/svg}"
VIEW = re.compile(r'viewBox="0 0 ([0-9.]+) ')
BAR_NUMBER = re.compile(r'(<g [^>]*class="mNum[^>]*>(?:<[^>]*>)*?<tspan )font-size="([0-9]+)px"')
TEXT = re.compile(r'<text x="([0-9]+)"( y="[0-9]+" font-size="0px">)(.*?)</text>', re.DOTALL)
LETTERS = re.compile(r'font-size="([0-9]+)px">([^<]+)<')


def ready_picture(picture: str) -> str:
    """Name our fonts, set bar numbers readably, keep words from running off the page."""
    width = VIEW.search(picture)
    if width is None:
        raise ValueError("a picture without a view box")
    right = float(width[1]) * TENTHS_A_MM / UNITS_A_MM - 2 * BLEED_MM * TENTHS_A_MM
    picture = BAR_NUMBER.sub(_readable, picture)
    picture = TEXT.sub(lambda text: _inside(text, right), picture)
    picture = picture.replace('"Times, serif"', f'"{TEXT_FAMILY}, serif"')
    return picture.replace('font-family="Leipzig"', f'font-family="{TEMPO_MARKS_FAMILY}"')


def _readable(number: re.Match[str]) -> str:
    """Set a bar number no smaller than `BAR_NUMBER_PT`."""
    size = max(int(number[2]), points_to_mm(BAR_NUMBER_PT) * TENTHS_A_MM)
    return f'{number[1]}font-size="{size:.0f}px"'


def _inside(text: re.Match[str], right: float) -> str:
    """Move words to the left that would run over the right edge."""
    x, _, inner = text.groups()
    width = max(
        sum(
            LETTER_EM * int(size) * len(letters.rstrip()) for size, letters in LETTERS.findall(line)
        )
        for line in inner.split('class="lb"')
    )
    moved = f"{max(min(float(x), right - width), 0.0):.0f}"
    return text[0].replace(f'x="{x}"', f'x="{moved}"')


def _width(line: str) -> float:
    """Give the width of a line of words, about."""
    runs = LETTERS.findall(line)
    return sum(LETTER_EM * int(size) * len(letters.rstrip()) for size, letters in runs)


def measure(picture: str) -> System:
    """Measure a system by its picture.

    Raises
    ------
    ReadError
        The engraver found nothing to draw.
    """
    root = etree.fromstring(picture.encode())
    height = float(root.get("viewBox", "").split()[3])
    bars = [g for g in root.iter(f"{SVG}g") if _is(g, "measure")]
    if not bars:
        raise ReadError("the engraver finds no bars in it", where="music to engrave")
    staves = [g for g in bars[0].iter(f"{SVG}g") if _is(g, "staff")]
    return System(
        height_mm=height / UNITS_A_MM - 2 * BLEED_MM,
        staves=len(staves),
        bar_widths_mm=tuple(_bar_width_mm(bar) for bar in bars),
        rests=tuple(not any(_is(g, "note") for g in bar.iter(f"{SVG}g")) for bar in bars),
    )


def _is(element: etree._Element, kind: str) -> bool:
    """Whether an element of a picture shows something of that kind."""
    return kind in element.get("class", "").split()


def _bar_width_mm(bar: etree._Element) -> float:
    """Width of a bar, by its first staff line (``M x y L x y``)."""
    staff = next(g for g in bar.iter(f"{SVG}g") if _is(g, "staff"))
    line = next(staff.iter(f"{SVG}path")).get("d", "").replace("M", "").replace("L", "").split()
    return (float(line[2]) - float(line[0])) / TENTHS_A_MM

"""The engraver's pictures: made ready for print, and measured.

Conventions
-----------
A picture is one system as SVG, drawn at the engraver's own staff height and printed at ours. Its
page is given in the engraver's page units; inside, all places are in tenths of these, from the
corner inside the blank edge.
"""

import re
from dataclasses import dataclass

from retro.engraving.fonts import TEMPO_MARKS_FAMILY, TEXT_FAMILY
from retro.engraving.layout import System
from retro.errors import ReadError
from retro.units import nearest, points_to_mm

BOX_SLIMMER = 170
"""What a box loses on either side of its letter, in tenths of page units: most of
`retro.engraving.engraver_input.SPACE_IN_BOX`, about one space between staff lines."""

STAFF_UNITS = 72
"""Height of a staff of five lines in the engraver's page units: 8 of its `unit`, which is 9."""

WORDS_UNITS = 40.5
"""Letter size of words in the engraver's page units."""

SPACE = 10 * STAFF_UNITS // 4
"""A staff space inside a picture."""

COMMA_BACK = 0.7 * SPACE
"""How far a comma stands before where the engraver puts it, so that it is off the bar line."""

BLEED_MM = 5.0
"""Blank edge round each picture, about, so that nothing that hangs over is cut off."""

BAR_NUMBER_PT = 9.0
"""Smallest size of bar numbers (common practice)."""

LETTER_EM = 0.4
"""Width of a letter of running text in its size, about (measured in the text font)."""

DOT = "\uecb7"
"""The dot of a note in a tempo mark; the engraver sets a word space before it."""

VIEW = re.compile(r'viewBox="0 0 [0-9.]+ ([0-9.]+)"')
BAR = re.compile(r'<g [^>]*class="measure[ "]')
STAVE = re.compile(r'<g [^>]*class="staff[ "]')
NOTE = re.compile(r'<g [^>]*class="note[ "]')
STAFF_LINE = re.compile(
    r'class="staff[ "].*?<path d="M([0-9.-]+) [0-9.-]+ L([0-9.-]+) [0-9.-]+"', re.DOTALL
)
BAR_NUMBER = re.compile(
    r'(<g [^>]*class="mNum[^>]*[^/]>(?:<(?!/g)[^>]*>)*?<tspan )font-size="([0-9]+)px"'
)
BOX = re.compile(r'(class="reh"[^>]*><rect [^>]*?x=")(-?[0-9.]+)("[^>]*? width=")([0-9.]+)')
TEXT = re.compile(r'<text x="([0-9]+)" y="[0-9]+" font-size="0px">(.*?)</text>', re.DOTALL)
BREATH = re.compile(r'(class="breath"[^>]*><use [^>]*translate\()([0-9.-]+)')
HEAD = re.compile(r'class="notehead"><use [^>]*translate\(([0-9.-]+), ([0-9.-]+)\)')
STEM = re.compile(r'class="stem"><path d="M([0-9.-]+) ([0-9.-]+) L[0-9.-]+ ([0-9.-]+)"')
HEIGHT = re.compile(r'y="([0-9.-]+)"')
LETTERS = re.compile(r'font-size="([0-9]+)px">([^<]+)<')


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The page that a system is drawn on, whose printed staves are `staff_mm` high."""

    width_mm: float
    staff_mm: float

    @property
    def units_a_mm(self) -> float:
        """Page units in a printed millimetre."""
        return STAFF_UNITS / self.staff_mm

    @property
    def edge(self) -> int:
        """Blank edge in page units."""
        return nearest(BLEED_MM * self.units_a_mm)

    @property
    def page_width(self) -> int:
        """Width of the picture in page units."""
        return nearest(self.width_mm * self.units_a_mm) + 2 * self.edge

    def percent(self, size_pt: float) -> int:
        """Return a printed letter size as a share of that of words, which grow with the staff."""
        return nearest(100 * self.units_a_mm * points_to_mm(size_pt) / WORDS_UNITS)

    @property
    def edge_mm(self) -> float:
        """Blank edge as printed."""
        return self.edge / self.units_a_mm

    @property
    def page_width_mm(self) -> float:
        """Width of the picture as printed."""
        return self.page_width / self.units_a_mm


def ready_picture(picture: str, frame: Frame) -> str:
    """Name our fonts, set bar numbers readably, keep words from running off the page."""
    right = 10 * (frame.page_width - 2 * frame.edge)
    smallest = 10 * frame.units_a_mm * points_to_mm(BAR_NUMBER_PT)
    picture = BAR_NUMBER.sub(lambda number: _readable(number, smallest), picture)
    picture = BOX.sub(_slimmer, picture)
    picture = BREATH.sub(lambda comma: f"{comma[1]}{float(comma[2]) - COMMA_BACK:g}", picture)
    drawn = picture
    picture = TEXT.sub(lambda text: _inside(text, right, drawn), picture)
    picture = picture.replace(f" {DOT}", DOT)
    picture = picture.replace('"Times, serif"', f'"{TEXT_FAMILY}, serif"')
    return picture.replace('font-family="Leipzig"', f'font-family="{TEMPO_MARKS_FAMILY}"')


def _readable(number: re.Match[str], smallest: float) -> str:
    """Set a bar number no smaller than `BAR_NUMBER_PT`."""
    return f'{number[1]}font-size="{max(int(number[2]), smallest):.0f}px"'


def _slimmer(box: re.Match[str]) -> str:
    """Draw the box of a letter narrower than the engraver kept room for."""
    head, x, between, width = box.groups()
    return f"{head}{float(x) + BOX_SLIMMER:g}{between}{float(width) - 2 * BOX_SLIMMER:g}"


def _notes(picture: str) -> tuple[tuple[float, float, float], ...]:
    """Find heads and stems: the place of each across, and its highest and lowest point."""
    heads = ((float(x), float(y)) for x, y in HEAD.findall(picture))
    stems = ((float(x), float(a), float(b)) for x, a, b in STEM.findall(picture))
    return (
        *((x, y - SPACE / 2, y + SPACE / 2) for x, y in heads),
        *((x, min(a, b), max(a, b)) for x, a, b in stems),
    )


def _inside(text: re.Match[str], right: float, picture: str) -> str:
    """Move words to the left that would run over the right edge, and there above the notes."""
    x, inner = text.groups()
    width = max(_width(line) for line in inner.split('class="lb"'))
    moved = max(min(float(x), right - width), 0.0)
    made = text[0].replace(f'x="{x}"', f'x="{moved:.0f}"')
    if moved < float(x):
        under = [note for note in _notes(picture) if moved - SPACE < note[0] < moved + width]
        lift = _lift([float(y) for y in HEIGHT.findall(made)], under)
        made = HEIGHT.sub(lambda y: f'y="{float(y[1]) - lift:.0f}"', made)
    return made


def _lift(baselines: list[float], notes: list[tuple[float, float, float]]) -> float:
    """Say how much higher words must stand to be off the notes that they lie over."""
    lift = 0.0
    top, bottom = min(baselines) - 2 * SPACE, max(baselines) + SPACE
    for _, high, low in sorted(notes, key=lambda note: -note[1]):
        if high < bottom - lift and low > top - lift:
            lift = bottom - high
    return lift


def _width(line: str) -> float:
    """Return the width of a line of words, about."""
    runs = LETTERS.findall(line)
    return sum(LETTER_EM * int(size) * len(letters.rstrip()) for size, letters in runs)


def measure(picture: str, frame: Frame) -> System:
    """Measure a system by its picture.

    Raises
    ------
    ReadError
        The engraver found nothing to draw.
    """
    height = float(VIEW.findall(picture)[0])
    bars = _bars(picture)
    return System(
        height_mm=(height - 2 * frame.edge) / frame.units_a_mm,
        staves=len(STAVE.findall(bars[0])),
        rests=tuple(NOTE.search(bar) is None for bar in bars),
    )


def bar_widths_mm(picture: str, frame: Frame) -> tuple[float, ...]:
    """Measure the bars of a picture, by the first staff line of each (``M x y L x y``).

    Raises
    ------
    ReadError
        The engraver found nothing to draw.
    """
    lines = (next(STAFF_LINE.finditer(bar)) for bar in _bars(picture))
    return tuple((float(line[2]) - float(line[1])) / 10 / frame.units_a_mm for line in lines)


def _bars(picture: str) -> list[str]:
    """Find the bars of a picture."""
    _, *bars = BAR.split(picture)
    if not bars:
        raise ReadError("the engraver finds no bars in it", where="music to engrave")
    return bars

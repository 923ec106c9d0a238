"""How our own pages are laid out, said to other programs: paper, staff size, lines and pages.

Conventions
-----------
Lengths in a document are tenths of the space between two staff lines, so a staff is 40 high.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from lxml import etree

from retro.musicxml.elements import add, credit, document_bytes, element

STAFF_TENTHS = 40

TITLE_PT = {"title": 20, "subtitle": 11, "part name": 14, "advice": 11}
"""Letter sizes of the words on the first page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PageLayout:
    """How a document is printed.

    Parameters
    ----------
    width_mm, height_mm, margin_mm, staff_mm
        Of the paper, its blank edge, and a staff.
    title_mm
        What the title takes below the upper margin of the first page.
    systems, pages
        Numbers of the bars that begin a line, and of those that begin a page; the first too.
    advice
        Words for everybody, which the page has under its title.
    """

    width_mm: float
    height_mm: float
    margin_mm: float
    staff_mm: float
    title_mm: float
    systems: tuple[str, ...]
    pages: tuple[str, ...]
    advice: tuple[str, ...] = ()

    def tenths(self, length_mm: float) -> str:
        """Return a length as a document has it."""
        return f"{length_mm * STAFF_TENTHS / self.staff_mm:.1f}"


def with_layout(musicxml: bytes, layout: PageLayout) -> bytes:
    """Return a ``score-partwise`` document of ours, without a layout, with one."""
    root = etree.fromstring(musicxml)
    first_credit = root.find("credit")
    ahead = first_credit if first_credit is not None else root.find("part-list")
    if ahead is None:
        raise ValueError("a document without a list of parts has no pages")
    ahead.addprevious(_defaults(layout))
    for text in layout.advice:
        root.findall("credit")[-1].addnext(credit("advice", text))
    _place_credits(root, layout)
    for part in root.iterfind("part"):
        _add_prints(part.findall("measure"), layout)
    return document_bytes(root)


def _defaults(layout: PageLayout) -> etree._Element:
    made = element("defaults")
    scaling = add(made, "scaling")
    add(scaling, "millimeters", f"{layout.staff_mm:.3f}")
    add(scaling, "tenths", STAFF_TENTHS)
    page = add(made, "page-layout")
    add(page, "page-height", layout.tenths(layout.height_mm))
    add(page, "page-width", layout.tenths(layout.width_mm))
    margins = add(page, "page-margins", type="both")
    for side in ("left", "right", "top", "bottom"):
        add(margins, f"{side}-margin", layout.tenths(layout.margin_mm))
    return made


def _place_credits(root: etree._Element, layout: PageLayout) -> None:
    """Stand the words of the first page in its title, one below the other."""
    width_mm, margin_mm = layout.width_mm, layout.margin_mm
    down_mm = 8.0
    for each in root.iterfind("credit"):
        kind = each.findtext("credit-type", "")
        words = each.find("credit-words")
        if words is None:
            continue
        is_name = kind == "part name"
        at_mm = 0.0 if is_name else down_mm
        words.set("default-x", layout.tenths(margin_mm if is_name else width_mm / 2))
        words.set("default-y", layout.tenths(layout.height_mm - margin_mm - at_mm))
        words.set("font-size", str(TITLE_PT.get(kind, TITLE_PT["advice"])))
        words.set("justify", "left" if is_name else "center")
        words.set("valign", "top")
        down_mm += 0.0 if is_name else 10.0 if kind == "title" else 6.0


def _add_prints(measures: Sequence[etree._Element], layout: PageLayout) -> None:
    """Say which bars begin a line or a page."""
    for index, measure in enumerate(measures):
        number = measure.get("number")
        if index == 0:
            first = element("print")
            system = add(first, "system-layout")
            add(system, "top-system-distance", layout.tenths(layout.title_mm))
            measure.insert(0, first)
        elif number in layout.pages or number in layout.systems:
            kind = "new-page" if number in layout.pages else "new-system"
            measure.insert(0, element("print", **{kind: "yes"}))

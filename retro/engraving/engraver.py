"""The engraver (verovio), which holds one document at a time and draws each of its systems."""

from collections.abc import Mapping
from functools import cache

import verovio

from retro.engraving.layout import Kind
from retro.engraving.pictures import STAFF_UNITS, Frame, ready_picture
from retro.errors import ReadError

STRETCH_FROM = {Kind.SCORE: 0.4, Kind.PART: 0.4, Kind.NOTICE: 0.0}
"""Share of the width from which on the last system is stretched to the full width."""


@cache
def the_engraver() -> verovio.toolkit:
    """Make the engraver once; its options that are never changed are in page units."""
    verovio.enableLog(verovio.LOG_OFF)
    engraver = verovio.toolkit()
    engraver.setOptions(
        {
            "footer": "none",
            "header": "none",
            "multiRestStyle": "block",
            "smuflTextFont": "none",
            "staffLineWidth": 0.18,
            "stemWidth": 0.22,
            "svgFormatRaw": True,
            "svgViewBox": True,
            "systemMaxPerPage": 1,
            "unit": STAFF_UNITS / 8,
        }
    )
    return engraver


def load_music(options: Mapping[str, object], music: str, form: str) -> None:
    """Hand a document in a format to the engraver.

    Raises
    ------
    ReadError
        If it cannot be read.
    """
    engraver = the_engraver()
    engraver.setInputFrom(form)
    engraver.setOptions(options)
    if not engraver.loadData(music):
        raise ReadError("the engraver cannot read it", where="music to engrave")


def drawn_systems(frame: Frame) -> tuple[str, ...]:
    """Draw each system of the document that the engraver holds."""
    return tuple(drawn_system(number, frame) for number in range(the_engraver().getPageCount()))


def drawn_system(system: int, frame: Frame) -> str:
    """Draw one of these systems, counted from 0."""
    return ready_picture(the_engraver().renderToSVG(system + 1), frame)


def options_for(frame: Frame) -> dict[str, object]:
    """Return the engraver's options for a frame; lengths in its page units."""
    return {
        "adjustPageHeight": True,
        "justifyVertically": False,
        "minLastJustification": STRETCH_FROM[Kind.SCORE],
        "pageHeight": 60_000,
        "pageMarginBottom": frame.edge,
        "pageMarginLeft": frame.edge,
        "pageMarginRight": frame.edge,
        "pageMarginTop": frame.edge,
        "pageWidth": frame.page_width,
    }

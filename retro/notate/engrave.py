"""Print-ready pages: MusicXML in, PDF out, vectors and embedded fonts only.

The engraver (verovio) draws each system as one SVG picture of its own; `retro.notate.layout` says
where on which page it stands; the page setter (typst) puts pictures and running texts there. Music
is drawn at its printed size: the staff height that the layout states is the one on paper.
"""

import json
import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import typst
import verovio

from retro.errors import ReadError
from retro.model.settings import PaperSize
from retro.notate.engraver_input import (
    EngraverInput,
    ready,
    with_breaks,
    with_gathered_rests,
    with_keys,
)
from retro.notate.fonts import TEXT_FAMILY, Lettering, fonts, one_line
from retro.notate.layout import (
    HANG_MM,
    LARGE_PAPERS,
    MARGIN_MM,
    PAPERS,
    SMALLEST_SCORE_STAFF_MM,
    Kind,
    Page,
    Paper,
    RunningTexts,
    System,
    paginate,
    score_paper,
    score_staff_mm,
    text_lines,
    turn_in_a_rest,
    weight,
)
from retro.notate.pictures import STAFF_UNITS, Frame, measure, ready_picture

PAGE_TEMPLATE = Path(__file__).with_name("page.typ")
STRETCH_FROM = {Kind.SCORE: 0.55, Kind.PART: 0.55, Kind.NOTICE: 0.0}
"""Share of the width from which on the last system is stretched to the full width."""

SCORE_SPACING = 0.25
PART_SPACING = 0.35
"""How wide notes stand (the engraver's linear spacing; 4 to 5 busy bars a line in a part)."""

TO_BE_SURE = 0.97
"""A system drawn smaller takes a little more than in proportion."""

MOST_TRIES = 3

MOST_SEED = 0x7FFF_FFFF

ROMANISED = "Latin letters stand for letters that no font on this machine has."


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """What is to be printed.

    Parameters
    ----------
    musicxml
        A ``score-partwise`` document: the score, or one player's part.
    kind, paper
        See there.
    song, insert, player, replaces
        Running texts: the song's title, the insert's heading ("Insert A"), the player's full name
        ("Score" on the score), and a line under the heading that says what it replaces.
    """

    musicxml: bytes
    kind: Kind
    paper: PaperSize
    song: str
    insert: str
    player: str
    replaces: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenScore:
    """Music for the screen.

    Parameters
    ----------
    systems
        One SVG document a system, elements named as in the MusicXML where that names them.
    timemap
        The engraver's list of moments: `tstamp` in ms, `qstamp` in quarter notes from the first
        bar, names of the elements that go `on` and `off`, `measureOn`.
    """

    systems: tuple[str, ...]
    timemap: tuple[Mapping[str, object], ...]


def engrave_pdf(sheet: Sheet) -> bytes:
    """Engrave a sheet.

    Returns
    -------
    bytes
        A PDF file; the same bytes for the same sheet (on one machine, where letters are needed
        that only its own fonts have).

    Raises
    ------
    ReadError
        The music is not MusicXML that can be engraved.
    """
    texts = (sheet.song, sheet.insert, sheet.player, sheet.replaces)
    source = ready(sheet.musicxml, alone=sheet.kind is not Kind.SCORE, also=texts)
    if sheet.kind is Kind.SCORE:
        paper = score_paper(sheet.paper, source.staves)
        drawn = _draw_score(source, paper)
        if drawn.frame.staff_mm < SMALLEST_SCORE_STAFF_MM and paper == PAPERS[sheet.paper]:
            paper = LARGE_PAPERS[sheet.paper]
            drawn = _draw_score(source, paper)
    else:
        paper = PAPERS[sheet.paper]
        drawn = _draw_part(source, paper, STRETCH_FROM[sheet.kind])
    return _set_pages(sheet, source.lettering, paper, drawn)


def engrave_for_screen(
    musicxml: bytes, *, width_mm: float = 190.0, staff_mm: float = 6.0
) -> ScreenScore:
    """Engrave music for a screen: system by system, with the moments of its elements.

    The pictures use the families "Libertinus Serif" (or the reader's own serif) and "Retro Tempo
    Marks", see `retro.notate.fonts.tempo_marks_css`.

    Raises
    ------
    ReadError
        The music is not MusicXML that can be engraved.
    """
    source = ready(musicxml, alone=False)
    pictures = _draw(source, _Look(frame=Frame(width_mm=width_mm, staff_mm=staff_mm)))
    timemap = _engraver().renderToTimemap({"includeMeasures": True})
    return ScreenScore(systems=tuple(pictures), timemap=tuple(timemap))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """How music is drawn.

    Parameters
    ----------
    frame
        Length of the systems, height of a staff.
    stretch_from, spacing
        See the constants.
    breaks
        First bars (from 0) of the systems after the first, or empty to let the engraver choose.
    """

    frame: Frame
    stretch_from: float = STRETCH_FROM[Kind.SCORE]
    spacing: float = SCORE_SPACING
    breaks: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawn:
    """Pictures of systems, their measures, and the pages that they go to."""

    frame: Frame
    pictures: tuple[str, ...]
    systems: tuple[System, ...]
    pages: tuple[Page, ...]


def _draw_part(source: EngraverInput, paper: Paper, stretch_from: float) -> _Drawn:
    """Draw a part at its staff height; where a turn is bad, again with other lines."""
    look = _Look(
        frame=Frame(width_mm=paper.music_width_mm, staff_mm=paper.part_staff_mm),
        stretch_from=stretch_from,
        spacing=PART_SPACING,
    )
    tries = [_lay_out(source, paper, look)]
    while len(tries) <= MOST_TRIES:
        breaks = turn_in_a_rest(tries[-1].systems, tries[-1].pages)
        if breaks is None or breaks == look.breaks:
            break
        look = replace(look, breaks=breaks)
        tries.append(_lay_out(source, paper, look))
    return min(tries, key=lambda drawn: weight(drawn.systems, drawn.pages))


def _draw_score(source: EngraverInput, paper: Paper) -> _Drawn:
    """Draw a score as large as its tallest system lets it be."""
    staff_mm = score_staff_mm(paper, source.staves)
    look = _Look(frame=Frame(width_mm=paper.music_width_mm, staff_mm=staff_mm))
    drawn = _lay_out(source, paper, look)
    for _ in range(MOST_TRIES):
        excess = max(
            system.height_mm / paper.music_height_mm(first=number == 0)
            for number, system in enumerate(drawn.systems)
        )
        if excess <= 1.0:
            break
        staff_mm *= TO_BE_SURE / excess
        look = _Look(frame=replace(look.frame, staff_mm=staff_mm))
        drawn = _lay_out(source, paper, look)
    return drawn


def _lay_out(source: EngraverInput, paper: Paper, look: _Look) -> _Drawn:
    """Draw music and deal its systems out to pages."""
    pictures = _draw(source, look)
    systems = tuple(measure(picture, look.frame) for picture in pictures)
    return _Drawn(
        frame=look.frame,
        pictures=tuple(pictures),
        systems=systems,
        pages=paginate(systems, paper),
    )


@cache
def _engraver() -> verovio.toolkit:
    """Make the engraver once."""
    verovio.enableLog(verovio.LOG_OFF)
    return verovio.toolkit()


def _draw(source: EngraverInput, look: _Look) -> list[str]:
    """Draw each system of a document as one SVG picture."""
    engraver = _engraver()
    engraver.resetXmlIdSeed(zlib.crc32(source.musicxml.encode()) & MOST_SEED)
    options = _options(look)
    if source.key_changes or source.gathers or look.breaks:
        _load(engraver, {**options, "breaks": "none"}, source.musicxml, "xml")
        music = with_keys(engraver.getMEI(), source.key_changes)
        if source.gathers:
            music = with_gathered_rests(music)
        _load(engraver, options, with_breaks(music, look.breaks), "mei")
    else:
        _load(engraver, options, source.musicxml, "xml")
    pages = range(1, engraver.getPageCount() + 1)
    return [ready_picture(engraver.renderToSVG(page), look.frame) for page in pages]


def _options(look: _Look) -> dict[str, object]:
    """Give the engraver's options; lengths in its page units."""
    return {
        "adjustPageHeight": True,
        "breaks": "encoded" if look.breaks else "auto",
        "footer": "none",
        "header": "none",
        "multiRestStyle": "block",
        "minLastJustification": look.stretch_from,
        "pageHeight": 60_000,
        "pageMarginBottom": look.frame.edge,
        "pageMarginLeft": look.frame.edge,
        "pageMarginRight": look.frame.edge,
        "pageMarginTop": look.frame.edge,
        "pageWidth": look.frame.page_width,
        "smuflTextFont": "none",
        "spacingLinear": look.spacing,
        "staffLineWidth": 0.18,
        "stemWidth": 0.22,
        "svgFormatRaw": True,
        "svgViewBox": True,
        "systemMaxPerPage": 1,
        "unit": STAFF_UNITS / 8,
    }


def _load(engraver: verovio.toolkit, options: Mapping[str, object], music: str, form: str) -> None:
    """Hand a document in a format to the engraver."""
    engraver.setInputFrom(form)
    engraver.setOptions(options)
    if not engraver.loadData(music):
        raise ReadError("the engraver cannot read it", where="music to engrave")


def _set_pages(sheet: Sheet, lettering: Lettering, paper: Paper, drawn: _Drawn) -> bytes:
    """Set pictures and running texts on pages."""
    texts = RunningTexts(
        song=lettering.print(sheet.song),
        insert=lettering.print(sheet.insert),
        player=lettering.print(sheet.player),
        replaces=lettering.print(sheet.replaces),
        note=ROMANISED if lettering.romanised else "",
    )
    job = {
        "title": one_line(f"{sheet.song} - {sheet.insert} - {sheet.player}"),
        "family": TEXT_FAMILY,
        "width_mm": paper.width_mm,
        "height_mm": paper.height_mm,
        "pages": [
            {
                "texts": [asdict(t) for t in text_lines(texts, paper, number, len(drawn.pages))],
                "systems": _placed(page, drawn.frame),
            }
            for number, page in enumerate(drawn.pages, start=1)
        ],
    }
    files = {_file(number): picture.encode() for number, picture in enumerate(drawn.pictures)}
    files["page.json"] = json.dumps(job).encode()
    files["main.typ"] = PAGE_TEMPLATE.read_bytes()
    by_name: Any = files  # a dictionary is in the setter's manual, not in its type stub
    compiler = typst.Compiler(by_name, font_paths=fonts(system=lettering.system))
    pdf = compiler.compile(format="pdf", timestamp=0, pdf_tags=False)
    if not isinstance(pdf, bytes):
        raise TypeError(f"the page setter gave {type(pdf).__name__}, not one file")
    return pdf


def _file(system: int) -> str:
    """Name a picture for the page setter."""
    return f"system-{system}.svg"


def _placed(page: Page, frame: Frame) -> list[dict[str, object]]:
    """Say where the pictures of a page go."""
    return [
        {
            "file": _file(page.first + n),
            "x_mm": MARGIN_MM + HANG_MM - frame.edge_mm,
            "y_mm": top_mm - frame.edge_mm,
            "width_mm": frame.page_width_mm,
        }
        for n, top_mm in enumerate(page.tops_mm)
    ]

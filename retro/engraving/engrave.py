"""Print-ready pages: MusicXML in, PDF out, vectors and embedded fonts only.

The engraver (verovio) draws each system as one SVG picture of its own;
`retro.engraving.layout` says where on which page it stands; the page setter (typst) puts pictures
and running texts there. Music
is drawn at its printed size: the staff height that the layout states is the one on paper.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import floor

from retro.engraving.division import EASE, TIGHT, divide_bars
from retro.engraving.engraver import (
    STRETCH_FROM,
    drawn_system,
    drawn_systems,
    load_music,
    options_for,
    the_engraver,
)
from retro.engraving.engraver_input import (
    DrawnBar,
    EngraverInput,
    opening_bars,
    ready,
    with_breaks,
    with_gathered_rests,
    with_keys,
    with_letters,
)
from retro.engraving.fonts import Lettering
from retro.engraving.hidden import with_marks_shown
from retro.engraving.layout import (
    GOOD_SCORE_STAFF_MM,
    HANG_MM,
    LARGE_PAPERS,
    MARGIN_MM,
    MIN_GAP_MM,
    MIN_SCORE_STAFF_MM,
    PAPERS,
    SPREAD_FROM,
    Kind,
    Page,
    Paper,
    RunningTexts,
    System,
    TextLine,
    bar_to_turn_before,
    ends_short,
    paginate,
    score_paper,
    score_staff_mm,
    text_lines,
    weight,
)
from retro.engraving.octaves import with_octaves
from retro.engraving.page_setter import set_pages
from retro.engraving.pictures import Frame, bar_widths_mm, measure
from retro.engraving.slides import with_slides
from retro.model.settings import PaperSize

TO_BE_SURE = 0.97
"""A system drawn smaller takes a little more than in proportion."""

NAMES_STAVES = 4.0
"""Room for the players' names beside a score, in heights of a staff, about."""

MAX_TRIES = 3

MAX_KEPT = 64
"""Drawn parts that are kept: another player may have the same, and so may the next build of a
target that is watched."""

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
    advice
        Lines for everybody, printed under that line.
    elsewhere
        Words of the music that those lines say, and that are not printed over it.
    """

    musicxml: bytes
    kind: Kind
    paper: PaperSize
    song: str
    insert: str
    player: str
    replaces: str = ""
    advice: tuple[str, ...] = ()
    elsewhere: tuple[str, ...] = ()


def engrave_pdf(sheet: Sheet, laid: "LaidOut | None" = None) -> bytes:
    """Return a sheet, or one that is laid out already, as a PDF file.

    The same sheet gives the same bytes (on one machine, where letters are needed that only its own
    fonts have).

    Raises
    ------
    ReadError
        The music is not MusicXML that can be engraved.
    """
    laid = laid or lay_out(sheet)
    return set_pages(
        laid.texts,
        [laid.placed(page) for page in laid.pages],
        laid.pictures,
        title=f"{sheet.song} - {sheet.insert} - {sheet.player}",
        paper=laid.paper,
        picture_mm=laid.frame.page_width_mm,
        system_fonts=laid.system_fonts,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LaidOut:
    """A sheet before it is set: its paper, and what stands where on each page.

    Parameters
    ----------
    pictures
        One SVG document a system, drawn in `frame`, its elements named as in the MusicXML where
        that names them. They use the families "Libertinus Serif" (or the reader's own serif) and
        "Retro Tempo Marks", see `retro.engraving.fonts.tempo_marks_css`.
    pages
        Which systems stand on each page, and where; see `placed`.
    texts
        The running texts of each page.
    system_fonts
        Whether letters are needed that only the machine's own fonts have.
    opens
        The number of the bar that each system begins with.
    held
        How many bars each drawn bar stands for: a multi-bar rest is one.
    """

    paper: Paper
    frame: Frame
    pictures: tuple[str, ...]
    pages: tuple[Page, ...]
    texts: tuple[tuple[TextLine, ...], ...]
    system_fonts: bool
    opens: tuple[str, ...]
    held: tuple[int, ...]

    def placed(self, page: Page) -> tuple[tuple[float, float], ...]:
        """Where the corners of a page's pictures lie, blank edges included, in mm."""
        left_mm = MARGIN_MM + HANG_MM - self.frame.edge_mm
        return tuple((left_mm, top_mm - self.frame.edge_mm) for top_mm in page.tops_mm)


def lay_out(sheet: Sheet) -> LaidOut:
    """Draw the systems of a sheet, and say where they and the running texts stand.

    Raises
    ------
    ReadError
        The music is not MusicXML that can be engraved.
    """
    printed = (sheet.song, sheet.insert, sheet.player, sheet.replaces, *sheet.advice)
    source = ready(
        sheet.musicxml, alone=sheet.kind is not Kind.SCORE, also=printed, elsewhere=sheet.elsewhere
    )
    if sheet.kind is Kind.SCORE:
        paper, drawn = _draw_score(source, sheet.paper, len(sheet.advice))
    else:
        paper = PAPERS[sheet.paper]
        drawn = _draw_part(source, paper.titled(len(sheet.advice)), STRETCH_FROM[sheet.kind])
    texts = _running_texts(sheet, source.lettering)
    count = len(drawn.pages)
    return LaidOut(
        paper=paper,
        frame=drawn.frame,
        pictures=drawn.pictures,
        pages=drawn.pages,
        texts=tuple(text_lines(texts, paper, number, count) for number in range(1, count + 1)),
        system_fonts=source.lettering.system,
        opens=drawn.opens,
        held=drawn.held,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawn:
    """Pictures of systems, their measures, and the pages that they go to."""

    frame: Frame
    pictures: tuple[str, ...]
    systems: tuple[System, ...]
    pages: tuple[Page, ...]
    opens: tuple[str, ...]
    held: tuple[int, ...]


@lru_cache(maxsize=MAX_KEPT)
def _draw_part(source: EngraverInput, paper: Paper, stretch_from: float) -> _Drawn:
    """Draw a part in even lines; where a page turn is bad, again with other lines.

    Readers of one clef and key have the same notice.
    """
    frame = Frame(width_mm=paper.music_width_mm, staff_mm=paper.part_staff_mm)
    options = {**options_for(frame), "minLastJustification": stretch_from, "breaks": "encoded"}
    music, widths_mm = _with_widths(source, frame)

    def draw(must_start: Collection[int], ease: float = EASE) -> _Drawn:
        starts = divide_bars(widths_mm, frame.width_mm, must_start, source.count_in, ease)
        return _in_lines(music, starts, frame, paper, options)[-1]

    must_start: set[int] = set()
    tries: list[_Drawn] = []
    while len(tries) < MAX_TRIES:
        tries.append(draw(must_start))
        bar = bar_to_turn_before(tries[-1].systems, tries[-1].pages)
        if bar is None or bar in must_start:
            break
        must_start.add(bar)
    if all(ends_short(drawn.systems, drawn.pages, paper) for drawn in tries):
        tries.append(draw((), TIGHT))
    return min(tries, key=lambda drawn: weight(drawn.systems, drawn.pages))


def _draw_score(source: EngraverInput, size: PaperSize, advice: int) -> tuple[Paper, _Drawn]:
    """Draw a score on the smallest paper of a house on which it can be read."""
    paper = score_paper(size, source.staves)
    staff_mm = score_staff_mm(paper.titled(advice), source.staves)
    frame = Frame(width_mm=paper.music_width_mm, staff_mm=staff_mm)
    music, widths_mm = _with_widths(source, frame)
    bars = _Bars(music, tuple(width_mm / staff_mm for width_mm in widths_mm), source)
    drawn = _fit_score(bars, paper.titled(advice), staff_mm)
    if drawn.frame.staff_mm < MIN_SCORE_STAFF_MM and paper == PAPERS[size]:
        paper = LARGE_PAPERS[size]
        titled = paper.titled(advice)
        drawn = _fit_score(bars, titled, score_staff_mm(titled, source.staves))
    drawn = _in_pairs(bars, drawn, paper.titled(advice))
    if all(len(page.tops_mm) == 1 for page in drawn.pages):
        drawn = _filled(drawn, paper.titled(advice))
    return paper, drawn


@dataclass(frozen=True, slots=True)
class _Bars:
    """The mended music of a score, and how wide its bars are in heights of a staff."""

    music: str
    widths_staves: tuple[float, ...]
    source: EngraverInput


def _fit_score(bars: _Bars, paper: Paper, staff_mm: float) -> _Drawn:
    """Draw a score in even lines, as large as its tallest system lets it be."""
    for _ in range(MAX_TRIES):
        frame = Frame(width_mm=paper.music_width_mm, staff_mm=staff_mm)
        line_mm = frame.width_mm - NAMES_STAVES * staff_mm
        widths_mm = tuple(width * staff_mm for width in bars.widths_staves)
        starts = divide_bars(widths_mm, line_mm, count_in=bars.source.count_in)
        options = {**options_for(frame), "breaks": "encoded"}
        broken, drawn_bars, drawn = _in_lines(bars.music, starts, frame, paper, options)
        if shown := with_marks_shown(broken, drawn.pictures):
            load_music(options, shown, "mei")
            drawn = _laid_out(frame, paper, drawn_bars)
        excess = max(
            system.height_mm / paper.music_height_mm(first=number == 0)
            for number, system in enumerate(drawn.systems)
        )
        if excess <= 1.0:
            break
        staff_mm *= TO_BE_SURE / excess
    return drawn


def _in_pairs(bars: _Bars, drawn: _Drawn, paper: Paper) -> _Drawn:
    """Draw a score again whose systems stand alone, if two fit a page and are large enough.

    That is known only once they are drawn: silent staves are left out.
    """
    later = [system.height_mm for system in drawn.systems[1:]]
    if len(later) < 2 or any(len(page.tops_mm) > 1 for page in drawn.pages):
        return drawn
    room_mm = (paper.music_height_mm(first=False) - MIN_GAP_MM) / 2
    staff_mm = drawn.frame.staff_mm * TO_BE_SURE * room_mm / max(later)
    if not GOOD_SCORE_STAFF_MM <= staff_mm < drawn.frame.staff_mm:
        return drawn
    return min(drawn, _fit_score(bars, paper, staff_mm), key=lambda each: len(each.pages))


def _filled(drawn: _Drawn, paper: Paper) -> _Drawn:
    """Spread the staves of systems that have a page each, and fill most of it, over all of it.

    The engraver holds them still.
    """
    pictures = list(drawn.pictures)
    for is_first in (True, False):
        height_mm = paper.music_height_mm(first=is_first)
        full = [
            number
            for number, system in enumerate(drawn.systems)
            if (number == 0) is is_first and system.height_mm >= SPREAD_FROM * height_mm
        ]
        for number, picture in zip(full, _spread(drawn.frame, height_mm, full), strict=True):
            pictures[number] = picture
    systems = tuple(measure(picture, drawn.frame) for picture in pictures)
    return replace(drawn, pictures=tuple(pictures), systems=systems)


def _spread(frame: Frame, height_mm: float, wanted: Sequence[int]) -> tuple[str, ...]:
    """Draw some systems with their staves so far apart that each is so high."""
    if not wanted:
        return ()
    the_engraver().setOptions(
        {
            "adjustPageHeight": False,
            "justifyVertically": True,
            "pageHeight": floor(height_mm * frame.units_a_mm) + 2 * frame.edge,
        }
    )
    the_engraver().redoLayout({})
    return tuple(drawn_system(number, frame) for number in wanted)


def _in_lines(
    music: str, starts: tuple[int, ...], frame: Frame, paper: Paper, options: Mapping[str, object]
) -> tuple[str, tuple[DrawnBar, ...], _Drawn]:
    """Draw music in lines that begin with these bars; return its text and its bars, too.

    Where the engraver breaks a line by itself, the line is asked for and all is drawn again: the
    engraver numbers the first bar of each.
    """
    broken, bars = with_breaks(music, starts, frame)
    load_music(options, broken, "mei")
    drawn = _laid_out(frame, paper, bars)
    begun = opening_bars(bars, drawn.pictures)
    if begun[1:] == starts:
        return broken, bars, drawn
    broken, bars = with_breaks(music, begun[1:], frame)
    load_music(options, broken, "mei")
    return broken, bars, _laid_out(frame, paper, bars)


def _laid_out(frame: Frame, paper: Paper, bars: Sequence[DrawnBar]) -> _Drawn:
    """Deal the systems that the engraver holds out to pages."""
    pictures = drawn_systems(frame)
    systems = tuple(measure(picture, frame) for picture in pictures)
    return _Drawn(
        frame=frame,
        pictures=pictures,
        systems=systems,
        pages=paginate(systems, paper),
        opens=tuple(bars[index].number for index in opening_bars(bars, pictures)),
        held=tuple(bar.held for bar in bars),
    )


def _mended(source: EngraverInput, frame: Frame) -> str:
    """Return the music in the engraver's own format, with what it would have lost."""
    the_engraver().resetXmlIdSeed(source.seed)
    load_music({**options_for(frame), "breaks": "none"}, source.musicxml, "xml")
    music = str(the_engraver().getMEI())
    if source.key_changes:
        music = with_keys(music, source.key_changes)
    if source.octaves:
        music = with_octaves(music, source.octaves)
    if source.slides:
        music = with_slides(music, source.slides)
    if source.lettered:
        music = with_letters(music, source.lettered)
    return with_gathered_rests(music) if source.gathers else music


def _with_widths(source: EngraverInput, frame: Frame) -> tuple[str, tuple[float, ...]]:
    """Return the mended music, and how wide its bars are on one endless line, in mm."""
    music = _mended(source, frame)
    if source.is_mended:
        load_music({**options_for(frame), "breaks": "none"}, music, "mei")
    return music, bar_widths_mm(the_engraver().renderToSVG(1), frame)


def _running_texts(sheet: Sheet, lettering: Lettering) -> RunningTexts:
    """Say what stands on every page, in letters that can be printed."""
    return RunningTexts(
        song=lettering.print(sheet.song),
        insert=lettering.print(sheet.insert),
        player=lettering.print(sheet.player),
        replaces=lettering.print(sheet.replaces),
        advice=tuple(lettering.print(words) for words in sheet.advice),
        note=ROMANISED if lettering.romanised else "",
    )

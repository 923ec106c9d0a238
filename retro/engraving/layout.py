"""Where things stand on a printed page: paper, margins, staff sizes, systems, running texts.

Conventions
-----------
Millimetres from the left and upper edge of the paper. A *system* is one line of music across the
page. Pages count from 1; odd pages are right-hand pages, so a player turns after each odd page.

The figures are those of orchestra librarians' guidelines (from memory
unless said) or common practice; docs/pages.md lists them.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import count, pairwise

from retro.model.settings import PaperSize
from retro.units import inches_to_mm

MARGIN_MM = inches_to_mm(0.8)
"""Blank edge all round; the guidelines ask for 0.75 inches or more."""

HANG_MM = 5.0
"""What brackets and bar numbers stand out to the left of the staves."""

SYSTEMS_A_PAGE = 10
"""Most single-staff systems on a part's page (the guidelines: 10 staves, 12 at most)."""

HEADER_MM = 9.0
FOOTER_MM = 10.0
TITLE_MM = 42.0
"""Heights kept for the running head, the running foot, and the first page's title."""

MIN_GAP_MM = 4.0
MAX_GAP_MM = 13.0
"""Between the ink of two systems, at least and at most."""

PLAYER_PT = 14.0
RUNNING_PT = 11.0
"""Letter sizes of the player's name on the first page, and of the running head."""

MAX_TEXT = 100
"""Letters of a running text that are printed."""

USUAL_ADVICE = 2
"""Lines of playing advice that the title has room for: one for held, one for struck tones."""

ADVICE_MM = 5.0
MAX_ADVICE = 8
"""Height of a line of advice, and the most lines that are printed."""

BAD_TURN_PAGES = 1.5
"""How many more pages a turn outside a rest is worth."""

NEAR_SYSTEMS = 3
"""How many systems before a turn a rest may stand for the lines to be broken anew."""

FULL_PAGE = 0.66
"""Share of a page from which on its systems are spread to the foot."""

SHORT_PAGE = 0.25
SAVED_PAGE = 0.34
"""Shares of a last page: under the one it is all but empty, and the page before gives some of its
own; under the other lines are drawn closer, if that saves it (our own choice)."""

SCORE_STAFF_MM = 5.5
GOOD_SCORE_STAFF_MM = 4.8
MIN_SCORE_STAFF_MM = 4.0
"""Staff heights of a score (common practice): the largest, the smallest that is taken so that one
more system fits the page, and the smallest that can be read at the stand."""

SPREAD_FROM = 0.5
"""Share of a score's page from which on the staves of a system that has it alone are spread over
all of it: they are twice as far apart at most (our own choice)."""

SCORE_GAP_MM = 8.0
"""Between two systems of a score, about."""

STAFF_PITCH = 2.6
TOP_PITCH = 3.0
"""Heights that one staff of a score takes with its surroundings, and what stands over the first
system (tempo, advice), in staff heights (measured)."""


class Kind(StrEnum):
    """What is printed: the score, one player's part, or the notice for the main score."""

    SCORE = "score"
    PART = "part"
    NOTICE = "notice"


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """A sheet of paper, upright, and the staff height of parts on it, in millimetres.

    `title_mm` is what the title takes on the first page.
    """

    width_mm: float
    height_mm: float
    part_staff_mm: float
    title_mm: float = TITLE_MM

    @property
    def text_width_mm(self) -> float:
        """Width between the margins."""
        return self.width_mm - 2 * MARGIN_MM

    @property
    def music_width_mm(self) -> float:
        """Length of the staves, brackets and names of a score included."""
        return self.text_width_mm - HANG_MM

    def titled(self, advice: int) -> "Paper":
        """Return the paper with a title of so many lines of advice."""
        more = max(min(advice, MAX_ADVICE) - USUAL_ADVICE, 0)
        return replace(self, title_mm=TITLE_MM + ADVICE_MM * more)

    def music_height_mm(self, *, first: bool) -> float:
        """Height left for music on the first or on a later page."""
        head_mm = self.title_mm if first else HEADER_MM
        return self.height_mm - 2 * MARGIN_MM - head_mm - FOOTER_MM


def _inches(width: float, height: float, part_staff_mm: float) -> Paper:
    return Paper(
        width_mm=inches_to_mm(width),
        height_mm=inches_to_mm(height),
        part_staff_mm=part_staff_mm,
    )


PAPERS = {
    PaperSize.LETTER: _inches(8.5, 11, 7.5),
    PaperSize.A4: Paper(width_mm=210.0, height_mm=297.0, part_staff_mm=7.5),
    PaperSize.CONCERT: _inches(10, 13, 8.0),
}
LARGE_PAPERS = {
    PaperSize.LETTER: _inches(11, 17, 8.0),
    PaperSize.A4: Paper(width_mm=297.0, height_mm=420.0, part_staff_mm=8.0),
    PaperSize.CONCERT: _inches(11, 17, 8.0),
}
"""The sheet that a house with that paper takes for large scores (common practice)."""


def score_paper(size: PaperSize, staves: int) -> Paper:
    """Return the smallest paper of the house on which a score of so many staves can be read."""
    paper = PAPERS[size]
    if score_staff_mm(paper, staves) >= MIN_SCORE_STAFF_MM:
        return paper
    return LARGE_PAPERS[size]


def score_staff_mm(paper: Paper, staves: int) -> float:
    """Return the staff height in millimetres at which systems of so many staves fill the page."""
    room_mm = paper.music_height_mm(first=True) + SCORE_GAP_MM
    for systems in count(1):
        staff_mm = (room_mm / systems - SCORE_GAP_MM) / (STAFF_PITCH * staves + TOP_PITCH)
        if staff_mm <= SCORE_STAFF_MM:
            break
    if systems > 1 and staff_mm < GOOD_SCORE_STAFF_MM:
        return SCORE_STAFF_MM
    return staff_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class System:
    """One line of music as engraved.

    Parameters
    ----------
    height_mm
        Of its ink.
    staves
        How many staves it has.
    rests
        Whether each of its bars is all rest; a multi-bar rest is one bar.
    """

    height_mm: float
    staves: int
    rests: tuple[bool, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """The systems of one page: the index of the first, and the upper edge of each one's ink."""

    first: int
    tops_mm: tuple[float, ...]

    @property
    def end(self) -> int:
        """Index of the first system that is not on this page any more."""
        return self.first + len(self.tops_mm)


def paginate(systems: tuple[System, ...], paper: Paper) -> tuple[Page, ...]:
    """Deal systems out to few pages, turning in rests where that is possible.

    A turn outside a rest weighs as much as `BAD_TURN_PAGES` more pages; of equal divisions the
    most even one is taken. The last page may be shorter, but not all but empty.
    """
    best: list[tuple[tuple[float, float], tuple[int, ...]]] = [((0.0, 0.0), ())]
    for end in range(1, len(systems) + 1):
        candidates = []
        for start in range(end):
            cost, starts = best[start]
            page = len(starts) + 1
            fill = _fill(systems[start:end], paper, first=page == 1)
            if fill > 1.0 and end - start > 1:
                continue
            bad_turn = page % 2 == 1 and not can_turn(systems, end)
            may_be_short = end == len(systems) and (page == 1 or fill >= SHORT_PAGE)
            blank = 0.0 if may_be_short else (1.0 - fill) ** 2
            total = (cost[0] + 1 + BAD_TURN_PAGES * bad_turn, cost[1] + blank)
            candidates.append((total, (*starts, start)))
        best.append(min(candidates))
    starts = (*best[-1][1], len(systems))
    return tuple(
        _set_page(systems[a:b], a, paper, last=b == len(systems)) for a, b in pairwise(starts)
    )


def bad_turns(systems: tuple[System, ...], pages: tuple[Page, ...]) -> list[int]:
    """Return the systems before which a page is turned outside a rest."""
    return [page.end for page in pages[::2] if not can_turn(systems, page.end)]


def weight(systems: tuple[System, ...], pages: tuple[Page, ...]) -> float:
    """Return what a division into pages costs the player, in pages."""
    return len(pages) + BAD_TURN_PAGES * len(bad_turns(systems, pages))


def ends_short(systems: tuple[System, ...], pages: tuple[Page, ...], paper: Paper) -> bool:
    """Whether little stands on the last of several pages."""
    last = systems[pages[-1].first :]
    return len(pages) > 1 and _fill(last, paper, first=False) < SAVED_PAGE


def can_turn(systems: tuple[System, ...], end: int) -> bool:
    """Whether the page can be turned after the system before `end`: in a rest, or at the end."""
    return end == len(systems) or systems[end - 1].rests[-1] or systems[end].rests[0]


def _fill(systems: tuple[System, ...], paper: Paper, *, first: bool) -> float:
    """Share of a page that systems take; over 1 where they are too many."""
    ink_mm = sum(system.height_mm for system in systems) + MIN_GAP_MM * (len(systems) - 1)
    staves = sum(system.staves for system in systems)
    share = ink_mm / paper.music_height_mm(first=first)
    part = all(system.staves == 1 for system in systems)
    return max(share, staves / SYSTEMS_A_PAGE if part else 0.0)


def _set_page(systems: tuple[System, ...], first: int, paper: Paper, *, last: bool) -> Page:
    """Stand the systems of a page one below the other, spread to the foot of a full page."""
    opening = first == 0
    room_mm = paper.music_height_mm(first=opening)
    spare_mm = room_mm - sum(system.height_mm for system in systems)
    gaps = max(len(systems) - 1, 1)
    gap_mm = min(spare_mm / gaps, MAX_GAP_MM)
    if last and _fill(systems, paper, first=opening) < FULL_PAGE:
        gap_mm = min(gap_mm, 2 * MIN_GAP_MM)
    tops, top_mm = [], MARGIN_MM + (paper.title_mm if opening else HEADER_MM)
    for system in systems:
        tops.append(top_mm)
        top_mm += system.height_mm + gap_mm
    return Page(first=first, tops_mm=tuple(tops))


def bar_to_turn_before(systems: tuple[System, ...], pages: tuple[Page, ...]) -> int | None:
    """Return a bar that should begin a line, so that a bad page turn falls in the rest before it.

    It is the bar, counted from 0, after the last rest in the `NEAR_SYSTEMS` systems before the
    first bad turn that has one; None where no turn is bad, or none has a rest near.
    """
    starts = [0]
    for system in systems:
        starts.append(starts[-1] + len(system.rests))
    rests = [bar for system in systems for bar in system.rests]
    for end in bad_turns(systems, pages):
        near = range(starts[max(end - NEAR_SYSTEMS, 0)], starts[end])
        found = next((bar + 1 for bar in reversed(near) if rests[bar]), None)
        if found is not None:
            return found
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class TextLine:
    """One line of text on a page; set smaller where it would be wider than its place.

    Parameters
    ----------
    x_mm, y_mm, width_mm
        Its place.
    align
        ``left``, ``center`` or ``right`` in its place.
    size_pt, weight, style
        Of its letters; weight ``regular`` or ``bold``, style ``normal`` or ``italic``.
    """

    text: str
    x_mm: float
    y_mm: float
    width_mm: float
    align: str
    size_pt: float
    weight: str = "regular"
    style: str = "normal"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunningTexts:
    """What is said on every page of a job, of a `Sheet`; `note` is a remark."""

    song: str
    insert: str
    player: str
    replaces: str = ""
    advice: tuple[str, ...] = ()
    note: str = ""


def text_lines(texts: RunningTexts, paper: Paper, number: int, count: int) -> tuple[TextLine, ...]:
    """Set the title or running head, the foot, and the page number in the outer corner."""
    outer = "right" if number % 2 else "left"
    side_mm = 0.18 * paper.text_width_mm
    whole_mm = paper.text_width_mm
    outer_mm = MARGIN_MM + (whole_mm - side_mm if outer == "right" else 0.0)

    def across(text: str, y_mm: float, size_pt: float, **look: str) -> TextLine:
        return TextLine(
            text=_shortened(text),
            x_mm=MARGIN_MM,
            y_mm=y_mm,
            width_mm=whole_mm,
            align="center",
            size_pt=size_pt,
            **look,
        )

    def corner(text: str, x_mm: float, width_mm: float, align: str, size_pt: float) -> TextLine:
        weight = "bold" if size_pt > RUNNING_PT else "regular"
        return TextLine(
            text=_shortened(text),
            x_mm=x_mm,
            y_mm=MARGIN_MM,
            width_mm=width_mm,
            align=align,
            size_pt=size_pt,
            weight=weight,
        )

    page_number = corner(f"{number} of {count}", outer_mm, side_mm, outer, RUNNING_PT)
    foot_mm = paper.height_mm - MARGIN_MM - FOOTER_MM
    foot = across(f"{texts.song}  ·  {texts.insert}  ·  {texts.player}", foot_mm + 3.5, 9)
    note = across(texts.note, foot_mm + 7.5, 7)
    if number > 1:
        between_mm = whole_mm - 2 * side_mm
        player = corner(texts.player, MARGIN_MM + side_mm, between_mm, "center", RUNNING_PT)
        return (page_number, player, foot, note)
    return (
        page_number,
        corner(texts.player, MARGIN_MM, whole_mm - side_mm, "left", PLAYER_PT),
        across(texts.song, MARGIN_MM + 8, 20),
        across(texts.insert, MARGIN_MM + 17, 14, weight="bold"),
        across(texts.replaces, MARGIN_MM + 24, 10.5, style="italic"),
        *(
            across(advice, MARGIN_MM + 30 + ADVICE_MM * row, 10.5, style="italic")
            for row, advice in enumerate(texts.advice[:MAX_ADVICE])
        ),
        foot,
        note,
    )


def _shortened(text: str) -> str:
    return text if len(text) <= MAX_TEXT else f"{text[: MAX_TEXT - 1]}…"

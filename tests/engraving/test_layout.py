"""The figures of a page, and how systems are dealt out to pages."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.engraving.layout import (
    FOOTER_MM,
    LARGE_PAPERS,
    MARGIN_MM,
    MIN_SCORE_STAFF_MM,
    PAPERS,
    RunningTexts,
    System,
    bar_to_turn_before,
    can_turn,
    paginate,
    score_paper,
    score_staff_mm,
    text_lines,
)
from retro.model.settings import PaperSize

CONCERT = PAPERS[PaperSize.CONCERT]
TEXTS = RunningTexts(song="Song", insert="Insert A", player="Horn in F 1", replaces="bars 1-4")


def system(height_mm: float = 22.0, *, rests: tuple[bool, ...] = (False, False)) -> System:
    return System(height_mm=height_mm, staves=1, rests=rests)


@pytest.mark.parametrize("paper", [*PAPERS.values(), *LARGE_PAPERS.values()])
def test_margins_are_at_least_three_quarters_of_an_inch(paper):
    """Orchestra librarians' guidelines (from memory; docs/pages.md)."""
    assert MARGIN_MM >= 0.75 * 25.4
    assert paper.text_width_mm <= paper.width_mm - 1.5 * 25.4


@pytest.mark.parametrize("paper", PAPERS.values())
def test_parts_have_the_librarians_staff_height(paper):
    """7.5 to 8.5 mm (read in a secondary source; docs/pages.md)."""
    assert 7.5 <= paper.part_staff_mm <= 8.5


@given(
    heights=st.lists(st.floats(15.0, 60.0), min_size=1, max_size=45),
    size=st.sampled_from(PaperSize),
)
def test_every_system_stands_on_one_page_inside_its_margins(heights, size):
    systems = tuple(system(h) for h in heights)
    pages = paginate(systems, PAPERS[size])
    assert pages[0].first == 0
    assert pages[-1].end == len(systems)
    assert all(a.end == b.first for a, b in pairwise(pages))
    for page in pages:
        bottoms = [top + systems[page.first + n].height_mm for n, top in enumerate(page.tops_mm)]
        assert bottoms[-1] <= PAPERS[size].height_mm - MARGIN_MM - FOOTER_MM + 1e-6
        assert all(b < t for b, t in zip(bottoms, page.tops_mm[1:], strict=False))
        assert len(page.tops_mm) <= 12


def test_a_page_is_turned_in_a_rest_where_as_many_pages_allow_it():
    systems = [system() for _ in range(15)]
    systems[6] = system(rests=(False, True))
    pages = paginate(tuple(systems), CONCERT)
    assert pages[0].end == 7
    assert can_turn(tuple(systems), pages[0].end)


def test_a_rest_inside_a_line_shows_where_a_line_should_begin():
    systems = [system() for _ in range(14)]
    end = paginate(tuple(systems), CONCERT)[0].end
    systems[end - 1] = system(rests=(False, True, False))
    pages = paginate(tuple(systems), CONCERT)
    assert pages[0].end == end
    assert bar_to_turn_before(tuple(systems), pages) == 2 * (end - 1) + 2


def test_lines_stay_where_no_rest_is_near_the_turn():
    systems = tuple(system() for _ in range(14))
    assert bar_to_turn_before(systems, paginate(systems, CONCERT)) is None


def test_odd_pages_are_numbered_on_the_right_and_even_ones_on_the_left():
    """Outer corners, odd pages right (read in the source; docs/pages.md)."""
    for number in (1, 2, 3):
        line = next(t for t in text_lines(TEXTS, CONCERT, number, 3) if t.text == f"{number} of 3")
        assert line.align == ("right" if number % 2 else "left")
        at_the_right = line.x_mm + line.width_mm == pytest.approx(CONCERT.width_mm - MARGIN_MM)
        assert at_the_right == bool(number % 2)


def test_the_first_page_names_the_player_top_left_and_the_song_in_the_middle():
    lines = {line.text: line for line in text_lines(TEXTS, CONCERT, 1, 1)}
    assert (lines["Horn in F 1"].align, lines["Horn in F 1"].x_mm) == ("left", MARGIN_MM)
    assert lines["Song"].align == "center"


def test_running_texts_do_not_lie_over_each_other():
    for number in (1, 2, 3):
        lines = [line for line in text_lines(TEXTS, CONCERT, number, 3) if line.text]
        boxes = [(t.x_mm, t.y_mm, t.x_mm + t.width_mm, t.y_mm + t.size_pt * 0.42) for t in lines]
        for i, a in enumerate(boxes):
            for b in boxes[i + 1 :]:
                apart = a[2] <= b[0] + 1e-9 or b[2] <= a[0] + 1e-9 or a[3] <= b[1] or b[3] <= a[1]
                assert apart, (a, b)


def test_a_very_long_title_is_cut_and_says_so():
    texts = RunningTexts(song="x" * 500, insert="", player="")
    title = text_lines(texts, CONCERT, 1, 1)[2].text
    assert title.endswith("x…")
    assert len(title) == 100


@pytest.mark.parametrize("size", PaperSize)
def test_a_score_takes_larger_paper_before_its_staves_become_too_small_to_read(size):
    assert score_paper(size, 12) == PAPERS[size]
    large = score_paper(size, 30)
    assert large == LARGE_PAPERS[size]
    assert score_staff_mm(large, 30) >= MIN_SCORE_STAFF_MM


def test_the_music_begins_below_however_many_lines_of_advice():
    advice = tuple(f"line {k}" for k in range(6))
    lines = text_lines(replace(TEXTS, advice=advice), CONCERT, 1, 1)
    assert {line.text for line in lines} >= set(advice)
    last_mm = max(line.y_mm for line in lines if line.text in advice)
    titled = CONCERT.titled(len(advice))
    (page,) = paginate((system(),), titled)
    assert page.tops_mm[0] >= last_mm + 5.0
    assert CONCERT.titled(2) == CONCERT


@pytest.mark.parametrize("count", range(1, 41))
def test_no_last_page_holds_one_line_alone(count):
    pages = paginate((system(),) * count, CONCERT)
    assert sum(len(page.tops_mm) for page in pages) == count
    assert len(pages) == 1 or len(pages[-1].tops_mm) > 1

"""Bars are divided into even lines."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from retro.engraving.division import EASE, HEAD_MM, divide_bars

LINE_MM = 170.0
WIDTHS = st.lists(st.floats(8.0, 120.0), min_size=1, max_size=60)


def lines(widths: list[float], starts: tuple[int, ...]) -> list[list[float]]:
    return [widths[a:b] for a, b in pairwise((0, *starts, len(widths)))]


@given(WIDTHS)
def test_no_line_is_longer_than_the_closest_spacing_allows_unless_one_bar_is(widths):
    for number, line in enumerate(lines(widths, divide_bars(widths, LINE_MM))):
        assert line
        head = HEAD_MM / EASE if number else 0.0
        assert len(line) == 1 or sum(line) + head <= LINE_MM + 1e-6


@given(WIDTHS, st.sets(st.integers(1, 59), max_size=3))
def test_bars_that_must_begin_a_line_do(widths, wanted):
    wanted = {bar for bar in wanted if bar < len(widths)}
    assert wanted <= set(divide_bars(widths, LINE_MM, wanted))


def test_equal_bars_make_equal_lines():
    assert divide_bars([30.0] * 8, LINE_MM) == (4,)
    assert divide_bars([30.0] * 12, LINE_MM) == (4, 8)


def test_a_few_bars_stay_on_one_line():
    assert divide_bars([30.0] * 4, LINE_MM) == ()


def test_no_bar_is_left_alone_on_the_last_line():
    starts = divide_bars([28.0] * 11, LINE_MM)
    assert 11 - starts[-1] > 2


@given(WIDTHS, st.integers(1, 4))
def test_no_line_holds_only_the_count_in(widths, count_in):
    starts = divide_bars(widths, LINE_MM, count_in=count_in)
    assert all(start > count_in for start in starts)

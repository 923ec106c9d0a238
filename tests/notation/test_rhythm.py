from fractions import Fraction
from itertools import combinations, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.model.note_values import value_of
from retro.model.time import Bar, Meter
from retro.notation.beams import Piece
from retro.notation.grid import Grid
from retro.notation.rhythm import spell_voice

F = Fraction

FOUR = Meter.plain(4, 4)
THREE = Meter.plain(3, 4)
TWO = Meter.plain(2, 4)
CUT = Meter.plain(2, 2)
SIX = Meter.plain(6, 8)
TWELVE = Meter.plain(12, 8)
FIVE = Meter.plain(5, 8)
SEVEN = Meter.plain(7, 8)
MIRRORED_SEVEN = SEVEN.mirrored()


def bar_of(meter):
    return Bar(F(0), meter.length_beats, meter)


def named(piece: Piece) -> str:
    """One piece as text: value in sixteenths-per-whole style, r for a rest, ~ for a tie on."""
    value = str(F(4) / piece.value_beats) + "." * piece.dots
    head = "r" if piece.chord is None else ""
    return head + ("bar" if piece.is_bar_rest else value) + ("~" if piece.tied_to else "")


def spelled(meter, *spans):
    (pieces,) = spell_voice([(F(a), F(b)) for a, b in spans], [bar_of(meter)])
    return " ".join(named(piece) for piece in pieces)


@pytest.mark.parametrize(
    ("meter", "spans", "expected"),
    [
        # Common practice throughout.
        (FOUR, [], "rbar"),
        (FOUR, [(0, 4)], "1"),
        (FOUR, [(0, 3)], "2. r4"),
        (FOUR, [("1/2", "3/2")], "r8 4 r8 r2"),
        (FOUR, [("3/2", "5/2")], "r4 r8 8~ 8 r8 r4"),
        (FOUR, [(1, 3)], "r4 4~ 4 r4"),
        (FOUR, [(1, 4)], "r4 4~ 2"),
        (FOUR, [(0, "3/2"), ("3/2", 2)], "4. 8 r2"),
        (FOUR, [(0, "5/2")], "2~ 8 r8 r4"),
        (FOUR, [(0, "7/2")], "2~ 4. r8"),
        (FOUR, [(0, "15/4")], "2.~ 8. r16"),
        (TWELVE, [(0, "11/2")], "2.~ 4.~ 4 r8"),
        (FOUR, [("1/2", 4)], "r8 4.~ 2"),
        (FOUR, [(0, "1/4"), ("1/4", 1)], "16 8. r4 r2"),
        (FOUR, [("3/4", "5/4")], "r8 r16 16~ 16 r16 r8 r2"),
        (FOUR, [("1/4", "3/4")], "r16 8 r16 r4 r2"),
        (THREE, [(0, 3)], "2."),
        (THREE, [(1, 3)], "r4 2"),
        (THREE, [(0, 1)], "4 r4 r4"),
        (THREE, [("1/2", "5/2")], "r8 8~ 4. r8"),
        (TWO, [("1/2", "3/2")], "r8 4 r8"),
        (CUT, [(1, 3)], "r4 2 r4"),
        (SIX, [(0, "3/2")], "4. r4."),
        (SIX, [("1/2", 2)], "r8 4~ 8 r8 r8"),
        (SIX, [(0, 2)], "4.~ 8 r8 r8"),
        (SIX, [(1, "3/2")], "r4 8 r4."),
        (SIX, [(0, "3/4"), ("3/4", "3/2")], "8. 8. r4."),
        (TWELVE, [(0, 6)], "1."),
        (TWELVE, [("3/2", "9/2")], "r4. 4.~ 4. r4."),
        (TWELVE, [(0, 3)], "2. r2."),
        (FIVE, [(0, "5/2")], "4~ 4."),
        (SEVEN, [(0, "7/2")], "2~ 4."),
        (MIRRORED_SEVEN, [(0, "7/2")], "4.~ 2"),
        (THREE, [("3/2", 3)], "r4 r8 8~ 4"),
        (FOUR, [(2, "5/2"), ("5/2", 4)], "r2 8 4."),
        (SEVEN, [("1/2", "3/2")], "r8 8~ 8 r8 r4."),
        (SEVEN, [(2, "7/2")], "r4 r4 4."),
    ],
)
def test_a_span_is_spelled_as_a_copyist_would(meter, spans, expected):
    assert spelled(meter, *spans) == expected


TUPLETS = [
    # positions, tuplets as actual:normal, spelled
    (FOUR, [(0, "1/3"), ("1/3", "2/3"), ("2/3", 1)], "8 8 8 r4 r2", ["3:2"]),
    (FOUR, [(0, "2/3"), ("2/3", "4/3"), ("4/3", 2)], "4 4 4 r2", ["3:2"]),
    (FOUR, [(1, "5/3"), ("5/3", "7/3"), ("7/3", 3)], "r4 4 4 4 r4", ["3:2"]),
    (FOUR, [(0, "4/3"), ("4/3", "8/3"), ("8/3", 4)], "2 2 2", ["3:2"]),
    (THREE, [("2/3", "4/3")], "r4 4 r4 r4", ["3:2"]),
    (THREE, [("2/3", "5/3")], "r4 8~ 4 r8 r4", ["3:2", "3:2"]),
    (FOUR, [("1/3", "1/2"), ("1/2", 1)], "r8 16 8 r4 r2", ["3:2"]),
    (FOUR, [("1/6", "1/3"), ("1/3", "2/3")], "r16 16 8 r8 r4 r2", ["6:4"]),
    (TWO, [(0, "1/5"), ("2/5", 1)], "16 r16 8. r4", ["5:4"]),
    (
        FOUR,
        [(0, "2/5"), ("2/5", "4/5"), ("4/5", "6/5"), ("6/5", "8/5"), ("8/5", 2)],
        "8 8 8 8 8 r2",
        ["5:4"],
    ),
    (FOUR, [(1, "7/5"), ("7/5", "11/5"), ("11/5", 3)], "r4 8 4 4 r4", ["5:4"]),
    (
        FOUR,
        [(0, "1/5"), ("1/5", "2/5"), ("2/5", 1), (1, "6/5")],
        "16 16 8. 16 r16 r8 r16 r2",
        ["5:4", "5:4"],
    ),
    (
        FOUR,
        [(0, "1/12"), ("1/12", 1)],
        "32 32~ 8~ 8 r4 r2",
        ["6:4"],
    ),
    (SIX, [("1/6", "1/3"), (1, "3/2")], "r16 16 r16 r8 8 r4.", ["3:2"]),
    (SIX, [(0, "3/10"), ("3/10", "3/2")], "8 2 r4.", ["5:3"]),
    (SEVEN, [(0, "1/3"), (2, "7/2")], "8 r8 r8 r4 4.", ["3:2"]),
]


@pytest.mark.parametrize(("meter", "spans", "expected", "figures"), TUPLETS)
def test_a_tuplet_is_found_in_its_beat_or_across_beats(meter, spans, expected, figures):
    (pieces,) = spell_voice([(F(a), F(b)) for a, b in spans], [bar_of(meter)])
    assert " ".join(named(piece) for piece in pieces) == expected
    opened = [p.tuplet for p in pieces if p.opens_tuplet]
    assert [f"{t.actual}:{t.normal}" for t in opened] == figures
    assert sum(p.closes_tuplet for p in pieces) == len(opened)


METERS = st.sampled_from(
    [
        *(
            Meter.plain(*m)
            for m in [(2, 4), (3, 4), (4, 4), (5, 4), (6, 4), (2, 2), (3, 2), (4, 2)]
        ),
        *(
            Meter.plain(*m)
            for m in [(3, 8), (4, 8), (5, 8), (6, 8), (7, 8), (9, 8), (12, 8), (7, 16)]
        ),
        Meter(7, 8, (3, 2, 2)),
        Meter(8, 8, (3, 3, 2)),
        Meter(5, 4, (3, 2)),
        Meter(1, 4, (1,)),
    ]
)


@st.composite
def bars_and_spans(draw):
    """Bars of any meters (short at the ends) and strokes on binary and tuplet divisions."""
    meters = draw(st.lists(METERS, min_size=1, max_size=3))
    bars, at = [], F(0)
    for index, meter in enumerate(meters):
        is_outer = index in (0, len(meters) - 1)
        units = draw(st.integers(1, meter.numerator)) if is_outer else meter.numerator
        length = units * meter.unit_beats
        bars.append(Bar(at, length, meter))
        at += length
    division = draw(st.sampled_from([4, 8, 3, 6, 12, 5, 7, 10]))
    places = st.builds(F, st.integers(0, int(at * division)), st.just(division))
    edges = sorted(draw(st.sets(places, min_size=2, max_size=12)))
    spans = list(pairwise(edges))
    kept = draw(st.lists(st.booleans(), min_size=len(spans), max_size=len(spans)))
    return bars, [span for span, keep in zip(spans, kept, strict=True) if keep]


@given(bars_and_spans())
def test_the_pieces_fill_every_bar_exactly(drawn):
    bars, spans = drawn
    for bar, pieces in zip(bars, spell_voice(spans, bars), strict=True):
        at = F(0)
        for piece in pieces:
            assert piece.start == at
            at = piece.end
        assert at == bar.length_beats


@given(bars_and_spans())
def test_the_written_values_are_as_long_as_the_spans(drawn):
    bars, spans = drawn
    for piece in (piece for pieces in spell_voice(spans, bars) for piece in pieces):
        if not piece.is_bar_rest:
            scale = piece.tuplet.scale if piece.tuplet else 1
            dotted = piece.value_beats * (F(3, 2) if piece.dots else 1)
            assert dotted * scale == piece.length_beats
            assert value_of(dotted) == (piece.value_beats, piece.dots)


@given(bars_and_spans())
def test_joined_ties_give_the_strokes_back(drawn):
    bars, spans = drawn
    joined: list[list[F]] = []
    for bar, pieces in zip(bars, spell_voice(spans, bars), strict=True):
        for piece in pieces:
            if piece.chord is None:
                continue
            start, end = bar.start_beats + piece.start, bar.start_beats + piece.end
            if piece.tied_from:
                assert joined[-1][1] == start
                joined[-1][1] = end
            else:
                joined.append([start, end])
    assert [tuple(span) for span in joined] == spans


@given(bars_and_spans())
def test_every_beam_that_starts_stops(drawn):
    bars, spans = drawn
    for pieces in spell_voice(spans, bars):
        open_lines: set[int] = set()
        for piece in pieces:
            for line, beam in enumerate(piece.beams):
                assert (line in open_lines) == (beam in {"continue", "stop"})
                if beam == "start":
                    open_lines.add(line)
                elif beam == "stop":
                    open_lines.remove(line)
            assert piece.beams or not open_lines
        assert not open_lines


def test_beams_show_the_groups_of_an_additive_meter():
    eighths = [(F(k, 2), F(k + 1, 2)) for k in range(7)]
    (pieces,) = spell_voice(eighths, [bar_of(MIRRORED_SEVEN)])
    main = [piece.beams[0] for piece in pieces]
    assert main == ["start", "continue", "stop", "start", "stop", "start", "stop"]


def test_a_chain_of_ties_is_no_longer_than_two_values_can_say():
    """Over every span of eighths and sixteenths in a bar that two usual values fill."""
    bar = bar_of(FOUR)
    for first, last in combinations(range(17), 2):
        start, end = F(first, 4), F(last, 4)
        ((*pieces,),) = spell_voice([(start, end)], [bar])
        chain = [piece for piece in pieces if piece.chord is not None]
        grid = Grid(FOUR)
        can_be_two = any(
            grid.is_usual(start, F(cut)) and grid.is_usual(F(cut), end)
            for cut in range(1, 4)
            if start < cut < end
        )
        assert len(chain) <= (2 if can_be_two else 4)


def test_four_plain_eighths_share_a_beam_and_sixteenths_keep_to_the_beat():
    spans = [(F(k, 2), F(k + 1, 2)) for k in range(4)]
    spans += [(F(8 + k, 4), F(9 + k, 4)) for k in range(8)]
    (pieces,) = spell_voice(spans, [bar_of(FOUR)])
    main = "".join(piece.beams[0][2] for piece in pieces)  # st-a-rt, co-n-tinue, st-o-p
    assert main == "anno" + "anno" * 2


def test_a_dotted_eighth_leaves_its_sixteenth_a_hook():
    (pieces,) = spell_voice(
        [(F(0), F(3, 4)), (F(3, 4), F(1)), (F(1), F(5, 4)), (F(5, 4), F(2))], [bar_of(TWO)]
    )
    assert [piece.beams for piece in pieces] == [
        ("start",),
        ("stop", "backward"),
        ("start", "forward"),
        ("stop",),
    ]


def test_an_upbeat_bar_counts_its_beats_from_the_bar_line_to_come():
    upbeat = Bar(F(0), F(3, 2), FOUR)
    spans = [(F(0), F(1, 2)), (F(1, 2), F(3, 2))]
    pieces, _ = spell_voice(spans, [upbeat, Bar(F(3, 2), F(4), FOUR)])
    assert [named(piece) for piece in pieces] == ["8", "4"]


@pytest.mark.parametrize("spans", [[(0, 2), (1, 3)], [(1, 1)], [(3, 5)], [(-1, 1)]])
def test_strokes_that_overlap_or_leave_the_bars_are_refused(spans):
    with pytest.raises(ValueError, match="follow each other"):
        spell_voice([(F(a), F(b)) for a, b in spans], [bar_of(FOUR)])


@pytest.mark.parametrize(
    ("numerator", "denominator"), [(64, 32), (64, 16), (48, 32), (63, 32), (32, 8)]
)
def test_a_long_note_off_the_beat_is_spelled_in_few_steps_even_in_the_longest_bars(
    numerator, denominator
):
    grid = Grid(Meter.plain(numerator, denominator))
    off = grid.meter.unit_beats / 2
    pieces = grid.spell_note(off, grid.meter.length_beats - off)
    assert (pieces[0][0], pieces[-1][1]) == (off, grid.meter.length_beats - off)
    assert all(a[1] == b[0] for a, b in pairwise(pieces))
    edges = len(grid.beats) + 2 * 8
    assert len(grid._notes) <= edges**2

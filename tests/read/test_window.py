"""Windows by bars, by markers, and whole."""

from dataclasses import replace
from fractions import Fraction

import pytest

from retro.errors import WindowError
from retro.model.phrase import Marker, Phrase
from retro.model.settings import Settings
from retro.model.time import Bar, Meter
from retro.read.window import choose_window
from tests.conftest import make_note, make_part, make_phrase


@pytest.fixture
def song() -> Phrase:
    """Return a pick-up of one quarter and three bars of 4/4 with markers."""
    phrase = make_phrase(make_part(make_note(0, 13)), bars=13, meter=Meter.plain(1, 4))
    meter = Meter.plain(4, 4)
    bars = (phrase.bars[0], *(Bar(Fraction(1 + 4 * i), Fraction(4), meter) for i in range(3)))
    places = ((1, "Tutti"), (5, "Solo"), (7, "Half way"), (9, "Solo"))
    markers = tuple(Marker(Fraction(at), text) for at, text in places)
    return replace(phrase, bars=bars, markers=markers)


def test_the_whole_song_is_the_window_where_nothing_is_said(song: Phrase) -> None:
    window = choose_window(song, Settings())
    assert (window.start_beats, window.end_beats) == (0, 13)
    assert (window.start_bar, window.end_bar) == (1, 4)
    assert window.length_s == song.length_s


@pytest.mark.parametrize(
    ("bars", "span", "numbers"),
    [
        ("1", (0, 1), (1, 1)),
        ("2", (1, 5), (2, 2)),
        ("2-3", (1, 9), (2, 3)),
        (" 2 – 4 ", (1, 13), (2, 4)),
    ],
)
def test_bars_choose_from_first_to_last_with_the_pick_up_as_bar_1(
    song: Phrase, bars: str, span: tuple[int, int], numbers: tuple[int, int]
) -> None:
    window = choose_window(song, Settings(bars=bars))
    assert (window.start_beats, window.end_beats) == span
    assert (window.start_bar, window.end_bar) == numbers
    assert window.start_s == song.tempo.seconds_at(window.start_beats)
    assert window.end_s == song.tempo.seconds_at(window.end_beats)


@pytest.mark.parametrize(
    ("bars", "words"),
    [
        ("0-2", "the song has bars 1-4"),
        ("3-5", "the song has bars 1-4"),
        ("4-2", "write 2-4"),
        ("four", "no range of bars"),
        ("", "no range of bars"),
        ("-3", "no range of bars"),
    ],
)
def test_bars_that_are_not_there_are_refused(song: Phrase, bars: str, words: str) -> None:
    with pytest.raises(WindowError, match=words):
        choose_window(song, Settings(bars=bars))


def test_a_marker_alone_reaches_to_the_next_one(song: Phrase) -> None:
    window = choose_window(song, Settings(start_marker="tutti"))
    assert (window.start_beats, window.end_beats) == (1, 5)


def test_the_last_marker_reaches_to_the_end(song: Phrase) -> None:
    song = replace(song, markers=song.markers[:3])
    assert choose_window(song, Settings(start_marker="HALF  way")).end_beats == 13


def test_an_end_marker_alone_starts_with_the_song(song: Phrase) -> None:
    window = choose_window(song, Settings(end_marker="Tutti"))
    assert (window.start_beats, window.end_beats) == (0, 1)


def test_an_end_marker_is_looked_for_after_the_start(song: Phrase) -> None:
    window = choose_window(song, Settings(start_marker="Half way", end_marker="solo"))
    assert (window.start_beats, window.end_beats) == (7, 9)
    assert (window.start_bar, window.end_bar) == (3, 3)


@pytest.mark.parametrize(
    ("start", "end", "words"),
    [
        ("Solo", None, "2 markers are called 'Solo', at bar 3, bar 4"),
        ("Half way", "Tutti", "has to come after"),
        ("Half way", "Half way", "has to come after"),
        ("Tuti", None, r"did you mean 'Tutti' \(bar 2\)"),
        ("Coda", None, "the song has 'Tutti'"),
    ],
)
def test_markers_that_do_not_choose_are_refused(
    song: Phrase, start: str, end: str | None, words: str
) -> None:
    with pytest.raises(WindowError, match=words):
        choose_window(song, Settings(start_marker=start, end_marker=end))


def test_a_song_without_markers_says_so(song: Phrase) -> None:
    with pytest.raises(WindowError, match="no markers, choose by bars 1-4"):
        choose_window(replace(song, markers=()), Settings(start_marker="A"))


def test_bars_and_markers_together_are_refused(song: Phrase) -> None:
    with pytest.raises(WindowError, match="two of bars, beats and markers"):
        choose_window(song, Settings(bars="1", start_marker="Tutti"))


@pytest.mark.parametrize(
    ("off", "end"), [("8", 8), ("257/32", 8), ("65/8", 12)], ids=["on it", "by a hair", "by a 32nd"]
)
def test_a_last_bar_that_notes_reach_into_by_a_hair_is_none(off: str, end: int) -> None:
    bars = 2 if off == "8" else 3
    phrase = make_phrase(make_part(make_note(0, off)), bars=bars)
    assert choose_window(phrase, Settings()).end_beats == end
    assert choose_window(phrase, Settings(start="2")).end_beats == end


def test_a_last_bar_in_which_something_begins_or_is_marked_stays() -> None:
    begun = make_phrase(make_part(make_note(0, 4), make_note(8, "65/8")), bars=3)
    assert choose_window(begun, Settings()).end_beats == 12
    held = make_phrase(make_part(make_note(0, "257/32")), bars=3)
    marked = replace(held, markers=(Marker(Fraction(9), "End"),))
    assert choose_window(marked, Settings()).end_beats == 12

from dataclasses import replace
from fractions import Fraction

import pytest
from lxml import etree

from retro.model.instruments import Player
from retro.model.orchestra import by_id
from retro.model.performance import Window
from retro.model.phrase import OPEN_KEY, Key, Phrase
from retro.model.settings import Settings
from retro.model.time import Bar, Meter
from retro.musicxml.elements import DIVISIONS
from retro.musicxml.notice import NoticeReader, notice_musicxml
from retro.notation.cue import cue_of, written_cues
from tests.evidence.musicxml_schema import musicxml_schema
from tests.notation.written import HEADING, WINDOW, bars_of, numbered, phrase_of

GRID = Settings().grid_beats


def notice(*meters):
    phrase = phrase_of(bars_of(*meters), key=Key(-3))
    phrase = numbered(phrase)
    return etree.fromstring(notice_musicxml(phrase, heading=HEADING, window=WINDOW))


def test_the_bars_are_silent_and_have_the_songs_own_numbers_and_meters():
    root = notice(Meter.plain(7, 8), Meter.plain(4, 4))
    bars = root.findall("part/measure")
    assert [bar.get("number") for bar in bars] == ["21", "22"]
    assert [bar.findtext(".//beats") for bar in bars] == ["7", "4"]
    assert root.xpath("//note/rest/@measure") == ["yes", "yes"]
    assert root.find(".//pitch") is None
    assert root.findtext(".//fifths") == "-3"


def test_it_says_where_to_look_and_what_to_do():
    root = notice(Meter.plain(4, 4))
    tacet, to_do = root.xpath("//words/text()")
    assert tacet == "tacet: see Insert A (reversed)"
    assert to_do.startswith("do not play")
    assert root.xpath("credit/credit-words/text()") == [
        "Study in Grey",
        "bars 21–22: tacet: see Insert A (reversed)",
    ]


def test_a_bar_that_the_window_cuts_stands_under_the_meter_that_it_fills():
    four = Meter.plain(4, 4)
    bars = (Bar(Fraction(0), Fraction(2), four, Fraction(2)), Bar(Fraction(2), Fraction(4), four))
    window = replace(WINDOW, start_beat=Fraction(3), end_beat=Fraction(2))
    phrase = numbered(phrase_of(bars))
    root = etree.fromstring(notice_musicxml(phrase, heading=HEADING, window=window))
    assert [bar.get("implicit") for bar in root.findall("part/measure")] == [None, None]
    assert root.xpath("//time/beats/text()") == ["2", "4"]
    assert root.xpath("//words/text()")[1] == (
        "do not play from bar 21 beat 3 on: the insert sounds here, backwards; stay silent, "
        "count on, come in at bar 22 beat 2"
    )


def read_by(
    id_: str, phrase: Phrase, window: Window = WINDOW, grid: Fraction = GRID
) -> etree._Element:
    """Return the notice of a player, with a cue out of the phrase."""
    player = Player(name=by_id(id_).name, instrument=by_id(id_))
    leader = Player(name="Shore", instrument=by_id("violins"))
    cue = cue_of(phrase, (leader,), grid_beats=grid)
    (written,) = written_cues(cue, phrase, [player], grid_beats=grid)
    reader = NoticeReader(
        name=player.name,
        instrument=player.instrument,
        cue=written,
        cue_name=cue.name,
    )
    document = notice_musicxml(phrase, heading=HEADING, window=window, reader=reader)
    musicxml_schema().assertValid(etree.fromstring(document))
    return etree.fromstring(document)


LINE = [(0, 2, 72), (2, 3, 74), (3, "7/2", 76), (4, 8, 77)]


@pytest.mark.parametrize(
    ("id_", "sign", "fifths", "first"),
    [
        ("clarinet-in-b-flat", "G", "-1", ("D", "5")),
        ("bassoon", "F", "-3", ("C", "3")),
        ("violas", "C", "-3", ("C", "4")),
        ("alto-saxophone", "G", "0", ("A", "4")),
    ],
)
def test_each_player_reads_clef_key_and_cue_of_the_own_instrument(id_, sign, fifths, first):
    # C sounds as C; the written pitch is that of any textbook of instrumentation, by octaves.
    phrase = numbered(phrase_of(bars_of(*[Meter.plain(4, 4)] * 2), LINE, key=Key(-3)))
    root = read_by(id_, phrase)
    assert root.findtext(".//clef/sign") == sign
    assert root.findtext(".//key/fifths") == fifths
    cued = root.findall(".//note[cue]")
    assert (cued[0].findtext("pitch/step"), cued[0].findtext("pitch/octave")) == first
    assert [note.findtext("duration") for note in cued] == ["20160", "10080", "5040", "40320"]
    assert "cue: Shore, backwards" in root.xpath("//words/text()")
    assert len(root.findall(".//note/rest[@measure='yes']")) == 2
    assert root.find(".//tie") is None


@pytest.mark.parametrize(
    ("grid", "eighths_of_a_beat"),
    [("1/8", [3, 1, 2, 2, 3, 1, 2, 2]), ("1", [4, 4, 8])],
)
def test_a_cue_stands_on_the_grid_of_the_insert(grid: str, eighths_of_a_beat: list[int]) -> None:
    """Groups of 3, 3 and 2 thirty-seconds, the second tied over the middle of its beat; on the grid
    of quarters nothing is finer than half a beat (`quantize`).
    """
    line = [("0", "3/8", 72), ("3/8", "3/4", 74), ("3/4", "1", 76)]
    line += [("1", "11/8", 72), ("11/8", "7/4", 74), ("7/4", "2", 76)]
    phrase = numbered(phrase_of(bars_of(Meter.plain(2, 4)), line))
    cued = read_by("flute", phrase, grid=Fraction(grid)).findall(".//note[cue]")
    units = [Fraction(note.findtext("duration")) / DIVISIONS * 8 for note in cued]
    assert units == eighths_of_a_beat


@pytest.mark.parametrize("id_", ["clarinet-in-b-flat", "horn-in-f", "flute"])
def test_where_the_song_has_an_open_key_nobody_reads_a_signature(id_: str) -> None:
    phrase = numbered(phrase_of(bars_of(*[Meter.plain(4, 4)] * 2), LINE, key=OPEN_KEY))
    root = read_by(id_, phrase)
    assert root.xpath("//key/fifths/text()") == ["0"]
    assert root.xpath("//key/mode/text()") == ["none"]


def test_a_cue_keeps_its_graces() -> None:
    line = [(0, "7/4", 72), ("7/4", "15/8", 74), ("15/8", 2, 76)]
    line += [(2, 4, 77), (4, 8, 79)]
    root = read_by("flute", phrase_of(bars_of(Meter.plain(4, 4), Meter.plain(4, 4)), line))
    assert root.find(".//note[cue]/grace") is not None


def test_who_reads_no_pitch_has_no_cue() -> None:
    phrase = numbered(phrase_of(bars_of(*[Meter.plain(4, 4)] * 2), LINE))
    assert read_by("snare-drum", phrase).find(".//cue") is None


def test_a_window_inside_bars_says_its_beats_over_them() -> None:
    four = Meter.plain(4, 4)
    bars = (Bar(Fraction(0), Fraction(2), four, Fraction(2)), Bar(Fraction(2), Fraction(4), four))
    phrase = numbered(phrase_of(bars, [(0, 4, 72)]))
    window = replace(WINDOW, start_beat=Fraction(3), end_beat=Fraction(2))
    first, last = read_by("flute", phrase, window).findall("part/measure")
    assert "from beat 3" in first.xpath(".//words/text()")
    assert "until beat 2" in last.xpath(".//words/text()")


def test_the_highest_of_the_lines_that_sound_most_is_the_cue() -> None:
    bars = bars_of(*[Meter.plain(4, 4)] * 2)
    low, high, short = [(0, 8, 40)], [(0, 4, 70), (0, 4, 62), (4, 7, 71)], [(0, 1, 90)]
    players = [Player(name=n, instrument=by_id("violins")) for n in ("low", "high", "short")]
    phrase = phrase_of(bars, low, high, short)
    cue = cue_of(phrase, players, grid_beats=GRID)
    assert cue.name == "high"
    assert [note.pitch for note in cue.notes] == [70, 71]


def test_chords_that_hands_begin_a_hair_apart_give_a_cue_of_whole_notes() -> None:
    # A seeded hand, spread by 30 ms, as ensembles are (30 to 50 ms, Rasch 1979): thirds a bar long.
    hands = [
        (0, "3.794", 58), ("0.050", "3.959", 62), ("3.983", "7.794", 62), ("3.992", "7.846", 65),
        ("8.008", "11.938", 57), ("8.054", "11.896", 61), ("11.925", "15.788", 62), (12, 16, 65),
    ]  # fmt: skip
    spans = [(Fraction(on), Fraction(off), pitch) for on, off, pitch in hands]
    phrase = numbered(phrase_of(bars_of(*[Meter.plain(4, 4)] * 4), spans))
    cued = read_by("clarinet-in-b-flat", phrase).findall(".//note[cue]")
    assert [note.findtext("duration") for note in cued] == ["40320"] * 4

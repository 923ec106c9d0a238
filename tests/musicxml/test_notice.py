from dataclasses import replace
from fractions import Fraction

from lxml import etree

from retro.model.phrase import Key
from retro.model.time import Bar, Meter
from retro.musicxml.notice import notice_musicxml
from tests.notation.written import HEADING, WINDOW, bars_of, numbered, phrase_of


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

from fractions import Fraction

from lxml import etree

from retro.model.phrase import Key
from retro.model.time import Bar, Meter
from retro.musicxml.notice import notice_musicxml
from tests.notation.written import HEADING, bars_of, phrase_of


def notice(*meters):
    phrase = phrase_of(bars_of(*meters), key=Key(-3))
    return etree.fromstring(notice_musicxml(phrase, heading=HEADING))


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


def test_a_bar_that_the_window_cuts_is_not_counted():
    four = Meter.plain(4, 4)
    bars = (Bar(Fraction(0), Fraction(2), four), Bar(Fraction(2), Fraction(4), four))
    root = etree.fromstring(notice_musicxml(phrase_of(bars), heading=HEADING))
    assert [bar.get("implicit") for bar in root.findall("part/measure")] == ["yes", None]

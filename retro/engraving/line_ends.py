"""Words late in the last bar of a line end where they would begin.

The engraver makes room behind the last note of a line for words that begin there, so that a bar
with "damp at the end" became twice as wide as its neighbours. Words that end at their place need
none.
"""

from collections.abc import Collection

from lxml import etree

from retro.engraving.hidden import is_of_system
from retro.engraving.octaves import MEI

LATE = 0.6
"""Share of a bar after which words are late."""

BEATS = 4.0
"""Counts of a bar where nothing says them."""


def set_words_back(root: etree._Element, starts: Collection[int]) -> None:
    """Let late words of the last bar of each line end at their place.

    `starts` are the first bars of the lines after the first, from 0. Tempo and bar numbers stay.
    """
    index, beats = -1, BEATS
    last = sum(1 for _ in root.iter(f"{MEI}measure")) - 1
    for each in root.iter(f"{MEI}measure", f"{MEI}meterSig"):
        if each.tag == f"{MEI}meterSig":
            beats = float(each.get("count") or beats)
            continue
        index += 1
        if index == last or index + 1 in starts:
            for words in each.iterfind(f"{MEI}dir"):
                is_late = float(words.get("tstamp", "1")) - 1.0 >= LATE * beats
                if is_late and not is_of_system(words):
                    _end_here(words)


def _end_here(words: etree._Element) -> None:
    inside = etree.Element(f"{MEI}rend", halign="right")
    inside.text, words.text = words.text, None
    inside.extend(list(words))
    words.append(inside)

"""What players whom the song does not have stand with in its score before the insert: rests."""

from fractions import Fraction

from lxml import etree

from retro.musicxml.elements import (
    DIVISIONS,
    add_attribute,
    add_staves,
    element,
    key_signature,
    time,
)
from retro.musicxml.tacet import SilentBar, rests
from retro.notation.score import WrittenPart
from retro.notation.spelling import written_key
from retro.read.musicxml import Score
from retro.read.musicxml_keys import NO_KEY


def empty_song(part: WrittenPart, score: Score) -> list[etree._Element]:
    """Return measures of rests as long as the song, on the staves of a part of the insert.

    They have the song's keys and meters as the part reads them.
    """
    measures = _numbered(score)
    keys = [written_key(keys.at_start, part.instrument) for keys in score.keys]
    keys += [keys[-1] if keys else NO_KEY] * (len(score.lengths) - len(keys))
    before = None
    for index, measure in enumerate(measures):
        bar = SilentBar(
            length_beats=score.lengths[index],
            divisions=Fraction(DIVISIONS),
            staves=len(part.staves),
        )
        measure.extend(rests(bar))
        if before is None or keys[index] != before[0]:
            add_attribute(measure, key_signature(keys[index]))
        if before is None or score.meters[index] != before[1]:
            add_attribute(measure, time(score.meters[index]))
        before = keys[index], score.meters[index]
    add_staves(measures[0], part)
    return measures


def _numbered(score: Score) -> list[etree._Element]:
    """Return empty measures with the numbers of the song's."""
    bodies = (body.findall("measure") for body in score.root.iterfind("part"))
    longest = next(body for body in bodies if len(body) == len(score.lengths))
    measures = []
    for given in longest:
        measures.append(element("measure", number=given.get("number", "")))
        if given.get("implicit") == "yes":
            measures[-1].set("implicit", "yes")
    return measures

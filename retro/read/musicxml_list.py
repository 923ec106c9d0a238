"""What the list of parts of a MusicXML score says of each: its name, its sound, its strokes."""

from dataclasses import replace

from lxml import etree

from retro.model.phrase import PERCUSSION_CHANNEL
from retro.read.charset import as_line
from retro.read.guess import is_contradicted
from retro.read.musicxml_parts import PartFacts
from retro.read.song import MAX_NAME
from retro.read.written_numbers import counted_of


def facts_of(entry: etree._Element | None, index: int, is_unpitched: bool) -> PartFacts:
    """Return what the list says of a part, which stands at an index in the score."""
    channel = index % 15 + (index % 15 >= PERCUSSION_CHANNEL)
    if entry is None:
        return PartFacts(name="", channel=channel, program=None)
    names = (
        entry.findtext("part-name", ""),
        "".join(map(str, entry.itertext("display-text"))),
        entry.findtext("score-instrument/instrument-name", ""),
    )
    program = counted_of(entry.findtext("midi-instrument/midi-program"), 128)
    facts = PartFacts(
        name=next((line for line in map(as_line, names) if line), "")[:MAX_NAME],
        channel=PERCUSSION_CHANNEL if is_unpitched else channel,
        program=None if is_unpitched or program is None else program - 1,
    )
    return _as_printed(facts)


def _as_printed(facts: PartFacts) -> PartFacts:
    """Return a part without a program that its printed name contradicts.

    A score is read by the names at its staves; its programs are often left by an exporter.
    """
    if facts.program is not None and is_contradicted(facts.name, facts.program):
        return replace(facts, program=None, contradicted=facts.program)
    return facts


def strokes_of(entry: etree._Element | None) -> dict[str, int]:
    """Return the MIDI pitch of every unpitched instrument of a part, by its id."""
    strokes = {}
    for instrument in () if entry is None else entry.iterfind("midi-instrument"):
        number = counted_of(instrument.findtext("midi-unpitched"), 128)
        if number is not None:
            strokes[instrument.get("id", "")] = number - 1
    return strokes

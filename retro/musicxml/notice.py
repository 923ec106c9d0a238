"""The notice: what the main score and its parts say where the insert will sound.

The bars that the insert replaces, tacet, in the song's own numbering and meters; for each player in
the own clef, key and transposition, with a line of cue of what sounds there.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from lxml import etree

from retro.model.instruments import Clef, Instrument
from retro.model.performance import Window
from retro.model.phrase import Key, Phrase
from retro.model.time import Bar, printed_number
from retro.musicxml.elements import (
    DIVISIONS,
    add,
    add_attribute,
    add_bar_line,
    add_keys_and_meters,
    bar_rest,
    clef_sign,
    document,
    element,
    score_part,
    set_voice,
    transpose,
    units,
    words,
)
from retro.musicxml.heading import Heading
from retro.musicxml.marks import LineNumbers
from retro.musicxml.measures import stave_measures
from retro.notation.score import WrittenPart
from retro.notation.spelling import printed_key

TO_DO = "do not play: the insert sounds here, backwards; stay silent, count on, come in after it"


def to_do(window: Window) -> str:
    """Return what the players do; inside bars, the beats at which they fall silent and come in."""
    if window.is_whole_bars:
        return TO_DO
    start, end = window.start_words, window.end_words
    after = f"after {end}" if window.end_beat is None else f"at {end}"
    return TO_DO.replace("do not play", f"do not play from {start} on").replace(
        "come in after it", f"come in {after}"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeReader:
    """Who reads a notice: everybody in the treble clef and in sounding keys, or one player.

    `cue` is what sounds there as the reader reads it, `cue_name` whose it is; None for no cue.
    """

    name: str
    instrument: Instrument | None = None
    cue: WrittenPart | None = None
    cue_name: str = ""

    def key(self, sounding: Key) -> Key:
        """Return the key that is read for a sounding one."""
        return sounding if self.instrument is None else printed_key(sounding, self.instrument)

    @property
    def clef(self) -> Clef:
        """Clef of the stave."""
        return Clef.TREBLE if self.instrument is None else self.instrument.clefs[0]


EVERYBODY = NoticeReader(name="All players")


def notice_musicxml(
    target: Phrase, *, heading: Heading, window: Window, reader: NoticeReader = EVERYBODY
) -> bytes:
    """Return the notice of a window for its reader; `target` has the song's own bars and keys."""
    body = element("part", id="P1")
    bars = tuple(bar.under_its_own_meter() for bar in target.bars)
    for count, bar in enumerate(bars, start=1):
        measure = add(body, "measure", number=str(printed_number(bars, count)))
        if not bar.is_full:
            measure.set("implicit", "yes")
        if count == 1:
            measure.append(words(tacet(heading), above=True))
            measure.append(words(to_do(window), above=False))
        measure.append(bar_rest(bar))
    _add_beats(body, window)
    if reader.cue is not None:
        _add_cue(body, reader.cue, bars, reader.cue_name)
    add_keys_and_meters(body, bars, [reader.key(target.keys.at(b.start_beats)) for b in bars])
    add_attribute(body[0], element("divisions", DIVISIONS))
    add_attribute(body[0], clef_sign(reader.clef, None))
    if reader.instrument is not None and reader.instrument.transposition.semitones:
        add_attribute(body[0], transpose(reader.instrument.transposition))
    add_bar_line(body[-1], "light-light")
    return document(
        song=heading.song,
        creators=heading.creators,
        title=f"{heading.title}: notice",
        credits_=(
            ("title", heading.song or heading.insert),
            ("subtitle", f"{heading.bars}: {tacet(heading)}"),
        ),
        part_list=[score_part("P1", reader.name, "")],
        bodies=[body],
    )


def _add_beats(body: etree._Element, window: Window) -> None:
    """Say at which beats a bar is cut by the window."""
    for measure, edge, place in (
        (body[0], "from", window.start_words),
        (body[-1], "until", window.end_words),
    ):
        beat = place.partition(" beat ")[2]
        if beat:
            _first(measure).addprevious(words(f"{edge} beat {beat}", above=True))


def _add_cue(body: etree._Element, cue: WrittenPart, bars: Sequence[Bar], name: str) -> None:
    """Put small notes below the rests of bars in which something sounds."""
    measures = stave_measures(cue.staves[0], cue.keys, bars, LineNumbers(bars))
    is_named = False
    for measure, small, bar in zip(body, measures, bars, strict=True):
        notes = list(small.iterchildren("note"))
        if all(note.find("rest") is not None for note in notes):
            continue
        if not is_named:
            _first(measure).addprevious(words(f"cue: {name}, backwards", above=False))
            is_named = True
        set_voice(_first(measure), 1)
        add(add(measure, "backup"), "duration", units(bar.length_beats))
        measure.extend(_small(note) for note in notes)


def _first(measure: etree._Element) -> etree._Element:
    return next(measure.iterchildren("note"))


def _small(note: etree._Element) -> etree._Element:
    """Make a note a cue: it does not sound, so it has no ties but the printed ones."""
    for tie in note.findall("tie"):
        note.remove(tie)
    if note.find("rest") is None:
        grace = note.find("grace")
        if grace is None:
            note.insert(0, element("cue"))
        else:
            grace.addnext(element("cue"))
        note.attrib.pop("id")
    set_voice(note, 2)
    return note


def tacet(heading: Heading) -> str:
    """Return what stands over the silent bars."""
    return f"tacet: see {heading.insert} (reversed)"

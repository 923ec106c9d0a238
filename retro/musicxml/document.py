"""The insert as MusicXML 4.0: the full score and each part, the same bytes for the same input.

Conventions
-----------
Positions are quarter notes on insert time; the count-in lies before 0. Bars of the insert are
numbered with the insert's letter ("A1"), bars of the count-in have no number of their own. Every
note head is named after its note of the performance: "n12", and "n12-2" after a tie. The head of
a tremolo is named after the first of its notes, that of a trill after the first lower one.
"""

from collections.abc import Iterable, Iterator, Sequence
from copy import deepcopy
from dataclasses import dataclass
from functools import partial
from itertools import cycle, groupby
from textwrap import wrap

from lxml import etree

from retro.model.instruments import Family
from retro.model.phrase import Phrase
from retro.model.settings import ScoreIn, Settings
from retro.model.time import Bar, bar_index, count_in_bars
from retro.musicxml.elements import (
    PITCHED_CHANNELS,
    add,
    add_bar_line,
    add_keys_and_meters,
    add_staves,
    clef_sign,
    direction,
    document,
    dynamics,
    element,
    instrument_id,
    part_group,
    rest_measure,
    score_part,
    set_voice,
    units,
    words,
)
from retro.musicxml.heading import Heading
from retro.musicxml.marks import LineNumbers, draw_slides
from retro.musicxml.measures import stave_measures
from retro.musicxml.multi_rests import gather_rests
from retro.musicxml.system import Frame, add_letters, add_system, add_tempos, place
from retro.notation.accidentals import key_at
from retro.notation.octaves import loco_words
from retro.notation.score import Direction, Hairpin, Octave, Stave, WrittenPart
from retro.notation.shared import shared_releases, shared_staves
from retro.notation.unpitched import keys_of

BRACKETED = (Family.WOODWIND, Family.BRASS, Family.PERCUSSION, Family.STRINGS)
"""Families that stand under a bracket in the score (common practice)."""

NOTE_TAIL = ("beam", "notations")
"""Children of ``note`` that stand behind ``staff``."""

STAVES_APART = 5
"""So many staves above the strings, tempo marks and boxed letters stand over these too (common
practice)."""

LINE_LETTERS = 44
"""Most letters on a line of words for everybody."""

VOICES_A_STAVE = 4
"""The lower stave's voices are numbered from 5 (common practice in MusicXML)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InsertXml:
    """The insert as MusicXML documents: score, parts, and one for each who has nothing to play.

    In the score, two players who move together stand on one stave.
    """

    score: bytes
    parts: tuple[bytes, ...]
    silent: tuple[bytes, ...] = ()


def insert_musicxml(
    parts: Sequence[WrittenPart],
    *,
    heading: Heading,
    insert: Phrase,
    settings: Settings,
    silent: Sequence[WrittenPart] = (),
    in_score: Sequence[WrittenPart] = (),
) -> InsertXml:
    """Write the insert of `parts`, at least one, in score order.

    `in_score` are the same where the score has them otherwise than the players read them. `insert`
    is the mirrored phrase, whose bars and tempo lie under the written parts; of the settings
    `count_in_bars` counts. The `silent` parts have no notes and are not in the score.
    """
    count_in = count_in_bars(insert.bars[0], settings.count_in_bars)
    frame = Frame(letter=heading.letter, insert=insert, count_in=count_in)
    bodies = [_part_body(part, f"P{number}", frame) for number, part in enumerate(parts, start=1)]
    documents = tuple(
        _alone(part, deepcopy(body), heading, frame)
        for part, body in zip(parts, bodies, strict=True)
    )
    if in_score:
        bodies = [_part_body(part, "", frame) for part in in_score]
    staves = dict(zip(in_score or parts, bodies, strict=True))
    return InsertXml(
        parts=documents,
        score=_score(staves, heading, frame, name=score_name(parts, settings)),
        silent=tuple(_alone(p, _part_body(p, "P1", frame), heading, frame) for p in silent),
    )


def _alone(part: WrittenPart, body: etree._Element, heading: Heading, frame: Frame) -> bytes:
    """Write one part's document."""
    _add_words(body, frame, (said for said in part.directions if said.is_general))
    add_system(body, frame)
    gather_rests(body, len(frame.count_in))
    return _document([part], [body], heading, name=part.name)


def insert_bodies(
    parts: Sequence[WrittenPart], *, heading: Heading, insert: Phrase
) -> list[etree._Element]:
    """Return the parts of the insert for another score, without count-in; the first is on top."""
    frame = Frame(letter=heading.letter, insert=insert, count_in=(), folds=False)
    bodies = [_part_body(part, "", frame) for part in parts]
    # What comes later stands further from the stave.
    add_system(bodies[0], frame)
    for body, said in zip(bodies, _once(parts), strict=True):
        _add_words(body, frame, said)
    return bodies


def _score(
    bodies: dict[WrittenPart, etree._Element], heading: Heading, frame: Frame, *, name: str
) -> bytes:
    """Write the score from the bodies of all parts; those who move together share a stave."""
    staves = shared_releases(shared_staves(tuple(bodies), frame.insert.bars))
    in_score = [bodies[part] if part in bodies else _part_body(part, "", frame) for part in staves]
    for number, (body, said) in enumerate(zip(in_score, _once(staves), strict=True), start=1):
        _name_part(body, f"P{number}")
        _add_words(body, frame, said)
    add_system(in_score[0], frame)
    top = next((i for i, p in enumerate(staves) if p.instrument.family is Family.STRINGS), 0)
    if top >= STAVES_APART:
        add_tempos(in_score[top], frame)
        add_letters(in_score[top], frame)
    return _document(staves, in_score, heading, name=name)


def score_name(parts: Iterable[WrittenPart], settings: Settings) -> str:
    """Return what the score is called: "Transposed score" where a part reads in another key."""
    is_transposed = any(part.instrument.transposition.chromatic for part in parts)
    if settings.score_in is ScoreIn.C:
        return "Score in C"
    return "Transposed score" if is_transposed else "Score"


def _part_body(part: WrittenPart, part_id: str, frame: Frame) -> etree._Element:
    """Write one part but for what stands over the whole system."""
    measures_of = partial(
        stave_measures,
        keys=part.keys,
        bars=frame.insert.bars,
        numbers=LineNumbers(frame.insert.bars),
        unpitched=part.instrument if part.instrument.is_unpitched else None,
        one_plays=len(part.staves) > 1,
    )
    staves = [[*map(rest_measure, frame.count_in), *measures_of(stave)] for stave in part.staves]
    draw_slides(part.slides, [measure for measures in staves for measure in measures])
    for number, (stave, measures) in enumerate(zip(part.staves, staves, strict=True), start=1):
        _add_clef_changes(stave, measures, frame, number if len(staves) > 1 else None)
        for octave in stave.octaves:
            _add_octave(measures, frame, octave)
        for said in loco_words(stave.octaves, stave.voices):
            place(measures, frame, said.at_beats, words(said.text, above=said.above))
    for level in part.levels:
        place(staves[0], frame, level.at_beats, direction(dynamics(level.text), above=False))
    for stave, measures in zip(part.staves, staves, strict=True):
        for mark in (mark for voice in stave.voices for mark in voice.marks if mark.text):
            place(measures, frame, mark.at_beats, words(mark.text, above=True))
    for number, hairpin in enumerate(part.hairpins):
        _add_hairpin(staves[0], frame, hairpin, number % 2 + 1)
    body = element("part")
    for index, bar in enumerate(frame.bars):
        body.append(_joined([measures[index] for measures in staves], bar))
    _add_words(body, frame, (said for said in part.directions if not said.is_general))
    _number(body, frame)
    keys = (key_at(part.keys, bar.start_beats) for bar in frame.bars)
    add_keys_and_meters(body, frame.bars, keys)
    add_staves(body[0], part)
    _name_part(body, part_id)
    return body


def _name_part(body: etree._Element, part_id: str) -> None:
    """Name a part, and with it the instruments of its strokes."""
    for instrument in body.iterfind("measure/note/instrument"):
        key = int(instrument.get("id", "").rpartition("-I")[2])
        instrument.set("id", instrument_id(part_id, key))
    body.set("id", part_id)


def _add_clef_changes(
    stave: Stave, measures: Sequence[etree._Element], frame: Frame, number: int | None
) -> None:
    for at, clef in stave.clefs[1:]:
        attributes = element("attributes")
        attributes.append(clef_sign(clef, number))
        place(measures, frame, at, attributes)


def _add_octave(measures: Sequence[etree._Element], frame: Frame, octave: Octave) -> None:
    size = str(8 if abs(octave.octaves) == 1 else 15)
    start = element("octave-shift", type="down" if octave.octaves > 0 else "up", size=size)
    stop = element("octave-shift", type="stop", size=size)
    is_above = octave.octaves > 0
    place(measures, frame, octave.start_beats, direction(start, above=is_above))
    place(measures, frame, octave.end_beats, direction(stop, above=is_above), is_end=True)


def _add_hairpin(
    measures: Sequence[etree._Element], frame: Frame, hairpin: Hairpin, number: int
) -> None:
    if hairpin.text:
        # A count later, so that the level before it has room.
        bar = frame.insert.bars[bar_index(frame.insert.bars, hairpin.start_beats)]
        at = hairpin.start_beats + bar.meter.unit_beats
        place(measures, frame, at, words(hairpin.text, above=False))
        return
    kind = "crescendo" if hairpin.crescendo else "diminuendo"
    start = element("wedge", type=kind, number=str(number))
    stop = element("wedge", type="stop", number=str(number))
    place(measures, frame, hairpin.start_beats, direction(start, above=False))
    place(measures, frame, hairpin.end_beats, direction(stop, above=False), is_end=True)


def _joined(staves: Sequence[etree._Element], bar: Bar) -> etree._Element:
    """Join the staves of one bar into one measure."""
    upper = staves[0]
    for index, measure in enumerate(staves):
        for note in measure.iterchildren("note"):
            _complete_note(note, index, is_alone=len(staves) == 1)
        if index > 0:
            for said in measure.iterchildren("direction"):
                add(said, "staff", index + 1)
            add(add(upper, "backup"), "duration", units(bar.length_beats))
            upper.extend(list(measure))
    return upper


def _complete_note(note: etree._Element, stave: int, *, is_alone: bool) -> None:
    """State the voice of a note, and its stave where there are several."""
    set_voice(note, int(note.findtext("voice", "1")) + VOICES_A_STAVE * stave)
    if is_alone:
        return
    staff = element("staff", stave + 1)
    tail = next((child for child in note if child.tag in NOTE_TAIL), None)
    if tail is None:
        note.append(staff)
    else:
        tail.addprevious(staff)


def _number(body: etree._Element, frame: Frame) -> None:
    count = len(frame.count_in)
    for index, (measure, bar) in enumerate(zip(body, frame.bars, strict=True)):
        is_counting = index < count
        number = f"click {index + 1}" if is_counting else f"{frame.letter}{index - count + 1}"
        measure.attrib.clear()
        measure.set("number", number)
        if is_counting or not bar.is_full:
            measure.set("implicit", "yes")
    if count:
        add_bar_line(body[count - 1], "light-light")
    add_bar_line(body[-1], "light-heavy")


def _add_words(body: etree._Element, frame: Frame, directions: Iterable[Direction]) -> None:
    for said in directions:
        # General words are long: another program must not run them off its page.
        folds = said.is_general and frame.folds
        text = "\n".join(wrap(said.text, LINE_LETTERS)) if folds else said.text
        place(list(body), frame, said.at_beats, words(text, above=said.above))


def _once(parts: Sequence[WrittenPart]) -> Iterator[tuple[Direction, ...]]:
    """Yield the general words of each part that no part further up has."""
    said: set[Direction] = set()
    for part in parts:
        new = tuple(each for each in part.directions if each.is_general and each not in said)
        yield new
        said.update(new)


def _document(
    parts: Sequence[WrittenPart], bodies: Sequence[etree._Element], heading: Heading, *, name: str
) -> bytes:
    credits_ = (("title", heading.title), ("subtitle", heading.subtitle), ("part name", name))
    entries: list[etree._Element] = []
    channels = cycle(PITCHED_CHANNELS)
    number = 0
    for family, group in groupby(
        zip(parts, bodies, strict=True), key=lambda member: member[0].instrument.family
    ):
        members = [
            score_part(
                body.get("id", ""),
                part.name,
                part.abbreviation,
                part.instrument,
                keys_of(part),
                channel=next(channels),
            )
            for part, body in group
        ]
        if family in BRACKETED and len(members) > 1:
            number += 1
            members = part_group(number, members)
        entries.extend(members)
    return document(
        song=heading.song,
        creators=heading.creators,
        title=heading.title,
        credits_=credits_,
        part_list=entries,
        bodies=bodies,
    )

"""MusicXML scores become songs, as MIDI files do, with what MIDI cannot say.

Conventions
-----------
The song is as long as it is played: repeats are played out, so that its seconds are those of the
recording, and a bar may be there twice. Bars keep the numbers that the score prints. Where parts
disagree about meter or tempo at one place, the first part wins; keys are those of the first part
with pitches, as they sound.
"""

import hashlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

from lxml import etree

from retro.errors import LimitError, ScoreError
from retro.model.performance import Finding, Severity
from retro.model.phrase import Marker, Phrase
from retro.model.settings import BeatGroups
from retro.model.time import Bar, Meter, Steps, TempoMap, with_pick_up
from retro.read.bar_lines import grouped
from retro.read.charset import as_line
from retro.read.musicxml_file import score_bytes, score_tree
from retro.read.musicxml_keys import MeasureKeys, keys_of, played_keys
from retro.read.musicxml_list import facts_of, strokes_of
from retro.read.musicxml_measures import PartReader, RawMeasure
from retro.read.musicxml_order import playing_order, stops_of
from retro.read.musicxml_parts import PartFacts, part_of
from retro.read.musicxml_tempo import tempo_words
from retro.read.musicxml_time import fitting_meter, meter_of, without_rounding
from retro.read.smf import notice
from retro.read.song import (
    MAX_BARS,
    MAX_CHANGES,
    MAX_LENGTH_S,
    MAX_NAME,
    MAX_NOTES,
    MAX_PARTS,
    Song,
    without_suffix,
)
from retro.read.written_numbers import whole_of
from retro.units import DEFAULT_US_PER_QUARTER, bpm_to_us_per_quarter

MAX_TICKS = 32_767
"""Largest division of a MIDI file."""

FINE_TICKS = 10_080
"""Where no MIDI division holds every event, this one nearly does."""

MIN_BPM, MAX_BPM = 4, 4000
"""Quarter notes a minute; beyond these a tempo is a slip of the pen."""


@dataclass(slots=True, kw_only=True)
class ScorePart:
    """One part of a score as it was read, by its id in the list of parts.

    `reader` has what held at the end of the part.
    """

    id: str
    facts: PartFacts
    reader: PartReader
    measures: list[RawMeasure]

    @property
    def has_notes(self) -> bool:
        """Whether anything sounds in it."""
        return any(measure.notes for measure in self.measures)

    @property
    def has_signatures(self) -> bool:
        """Whether a key signature is printed in it; horns are often written without."""
        nothing = self.reader.transposition.fifths
        return any(sharps != nothing for measure in self.measures for _, sharps, _ in measure.keys)


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """A score as it was read.

    Parameters
    ----------
    xml, root
        Of the document: its bytes, and its elements.
    parts
        All of them, silent ones too, in the order of the file.
    numbers
        The printed number of every measure, in the order of the file.
    lengths, meters
        Of every measure, likewise; the meter is at least as long.
    order
        Indexes of the measures as they are played.
    bars
        As they are played.
    """

    xml: bytes
    root: etree._Element
    name: str
    title: str
    parts: tuple[ScorePart, ...]
    numbers: tuple[int, ...]
    lengths: tuple[Fraction, ...]
    meters: tuple[Meter, ...]
    order: tuple[int, ...]
    bars: tuple[Bar, ...]
    notices: list[Finding] = field(default_factory=list)

    @property
    def keys(self) -> tuple[MeasureKeys, ...]:
        """Keys by measure, in the order of the file; none where no part with pitches states any."""
        pitched = (part for part in self.parts if not part.reader.is_unpitched)
        told = next((p for p in pitched if any(m.keys for m in p.measures)), None)
        return () if told is None else tuple(keys_of(told.measures))


def read_score_song(data: bytes, name: str, *, meter_groups: tuple[BeatGroups, ...] = ()) -> Song:
    """Read the bytes of a MusicXML file called `name`, bare or compressed.

    Raises
    ------
    ScoreError
        Where it is no score that can be used.
    LimitError
        Where it is larger than the stated limits.
    """
    score = read_score(data, name, meter_groups=meter_groups)
    phrase = _phrase(score)
    return Song(
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        ticks_per_quarter=_ticks(phrase),
        phrase=phrase,
        notices=tuple(score.notices),
        creators=tuple(_creators(score.root)),
    )


def read_score(data: bytes, name: str, *, meter_groups: tuple[BeatGroups, ...] = ()) -> Score:
    """Read a score with all its parts; see `read_score_song`."""
    xml = score_bytes(data, name)
    root = score_tree(xml, name)
    parts = tuple(_parts(root, name))
    count = max((len(part.measures) for part in parts), default=0)
    if not count:
        raise ScoreError("the score holds no bars", where=name)
    if count > MAX_BARS:
        raise LimitError(f"runs over more than {MAX_BARS} bars", where=name)
    notices = list(_notices(parts))
    columns = [_column(parts, index) for index in range(count)]
    numbers = _numbers(columns)
    if numbers is None:
        numbers = tuple(range(1, count + 1))
        notices.append(notice("the printed bar numbers do not rise, so bars count from 1"))
    stops = stops_of(columns, name)
    order = tuple(playing_order(stops, name))
    if not order:
        raise ScoreError("no bar of the score is ever played", where=name)
    stated = _meters(columns, meter_groups)
    lengths, meters = _measured(columns, stated, numbers, name)
    notices.extend(_overfull(parts, stated, lengths, numbers))
    bars = _bars(lengths, meters, numbers, order)
    return Score(
        xml=xml,
        root=root,
        name=name,
        title=_title(root, name),
        parts=parts,
        numbers=numbers,
        lengths=lengths,
        meters=meters,
        order=order,
        bars=bars,
        notices=notices,
    )


def _parts(root: etree._Element, name: str) -> Iterator[ScorePart]:
    entries = {entry.get("id"): entry for entry in root.iterfind("part-list/score-part")}
    elements = root.findall("part")
    if len(elements) > MAX_PARTS:
        raise LimitError(f"{len(elements)} parts, more than {MAX_PARTS}", where=name)
    count = 0
    for index, element in enumerate(elements):
        entry = entries.get(element.get("id"))
        reader = PartReader(element, strokes_of(entry), name)
        measures = list(reader.measures())
        count += sum(len(measure.notes) for measure in measures)
        if count > MAX_NOTES:
            raise LimitError(f"holds more than {MAX_NOTES} notes", where=name)
        yield ScorePart(
            id=element.get("id", ""),
            facts=facts_of(entry, index, reader.is_unpitched),
            reader=reader,
            measures=measures,
        )


def _column(parts: Sequence[ScorePart], index: int) -> list[RawMeasure]:
    """Return one measure in all parts that have it."""
    return [part.measures[index] for part in parts if index < len(part.measures)]


def _numbers(columns: Sequence[Sequence[RawMeasure]]) -> tuple[int, ...] | None:
    """Return the printed number of every measure, None where they do not rise.

    A part of a bar that is split has the number of its first part.
    """
    numbers: list[int | None] = []
    for column in columns:
        printed = whole_of(column[0].number)
        is_told = printed is not None and printed >= 0
        numbers.append(printed if is_told else numbers[-1] if numbers else None)
    first = next((number for number in numbers if number is not None), None)
    if first is None:
        return None
    filled = [max(first - 1, 0) if number is None else number for number in numbers]
    rises = all(a <= b for a, b in pairwise(filled))
    return tuple(filled) if rises else None


def _meters(
    columns: Sequence[Sequence[RawMeasure]], groups: Sequence[BeatGroups]
) -> list[Meter | None]:
    """Return the meter of every measure; None where none is in force."""
    meters: list[Meter | None] = []
    meter: Meter | None = Meter.plain(4, 4)
    for column in columns:
        element = next((measure.time for measure in column if measure.time is not None), None)
        if element is not None:
            stated = meter_of(element)
            meter = stated and grouped(stated, groups)
        meters.append(meter)
    return meters


def _measured(
    columns: Sequence[Sequence[RawMeasure]],
    meters: Sequence[Meter | None],
    numbers: Sequence[int],
    name: str,
) -> tuple[tuple[Fraction, ...], tuple[Meter, ...]]:
    """Return the length of every measure, and a meter that it fits into."""
    lengths, fitting = [], []
    for column, meter, number in zip(columns, meters, numbers, strict=True):
        length = max(measure.reached for measure in column)
        if not length:
            length = Meter.plain(4, 4).length_beats if meter is None else meter.length_beats
        length = without_rounding(length, meter)
        fitted = fitting_meter(meter, length)
        if fitted is None:
            raise ScoreError(
                f"holds {float(length):g} quarter notes, which no meter counts",
                where=f"{name}, bar {number}",
            )
        lengths.append(length)
        fitting.append(fitted)
    return tuple(lengths), tuple(fitting)


def _overfull(
    parts: Sequence[ScorePart],
    stated: Sequence[Meter | None],
    lengths: Sequence[Fraction],
    numbers: Sequence[int],
) -> Iterator[Finding]:
    """Say which bars hold more than their meter says, and in whose part: they are read as longer.

    Exporters that lose a tuplet write such bars; the other parts get rests there.
    """
    wide = [
        index
        for index, (meter, length) in enumerate(zip(stated, lengths, strict=True))
        if meter is not None and length > meter.length_beats
    ]
    if not wide:
        return
    first = wide[0]
    meter, number = stated[first], numbers[first]
    fullest = max(
        (part for part in parts if first < len(part.measures)),
        key=lambda part: part.measures[first].reached,
    )
    more = f", and {len(wide) - 1} more" if len(wide) > 1 else ""
    yield notice(
        f"bar {number} of {fullest.facts.name or fullest.id} holds {float(lengths[first]):g} "
        f"quarter notes, more than {meter}, and was read as longer{more}",
        severity=Severity.WARN,
        advice="look whether a tuplet lost its sign, and mend the score",
    )


def _bars(
    lengths: Sequence[Fraction],
    meters: Sequence[Meter],
    numbers: Sequence[int],
    order: Sequence[int],
) -> tuple[Bar, ...]:
    bars = []
    start = Fraction(0)
    for index in order:
        bars.append(Bar(start, lengths[index], meters[index], Fraction(0), numbers[index]))
        start += lengths[index]
    return with_pick_up(tuple(bars))


def _title(root: etree._Element, name: str) -> str:
    texts = (root.findtext("work/work-title", ""), root.findtext("movement-title", ""))
    title = next((line for line in map(as_line, texts) if line), as_line(Path(name).stem))
    return without_suffix(title)[:MAX_NAME]


def _creators(root: etree._Element) -> Iterator[tuple[str, str]]:
    """Yield what each who made the song did, and the name; who is not told what for is left out."""
    for creator in root.iterfind("identification/creator"):
        did, name = as_line(creator.get("type", "")), as_line(creator.text or "")
        if did and name:
            yield did[:MAX_NAME], name[:MAX_NAME]


def _notices(parts: Sequence[ScorePart]) -> Iterator[Finding]:
    if microtones := sum(part.reader.microtones for part in parts):
        yield notice(
            f"notes between the semitones were rounded to them: {microtones}",
            severity=Severity.WARN,
            advice="say in words what is wanted",
        )
    if told := [
        f"{part.facts.name} ({part.facts.contradicted})"
        for part in parts
        if part.facts.contradicted is not None
    ]:
        yield notice(
            f"MIDI programs (of 0-127) that contradict the printed names were left out: "
            f"{', '.join(told)}",
            severity=Severity.WARN,
            advice='if a sound is right and its name is not, say who plays: [[part]] match = "…", '
            'instrument = "…"',
        )
    if cues := sum(part.reader.cues for part in parts):
        yield notice(f"cue notes were left out: {cues}")
    if unread := sum(part.reader.unread for part in parts):
        yield notice(f"notes of no length were left out: {unread}")


def _phrase(score: Score) -> Phrase:
    playing = [part for part in score.parts if part.has_notes]
    if not playing:
        raise ScoreError("the score holds no notes", where=score.name)
    length = score.bars[-1].end_beats
    tempo = TempoMap(_tempo(score, length))
    if tempo.length_s > MAX_LENGTH_S:
        raise LimitError(f"lasts more than {MAX_LENGTH_S // 3600} hours", where=score.name)
    parts = tuple(part_of(part.facts, _played(score, part), length) for part in playing)
    return Phrase(
        title=score.title,
        tempo=tempo,
        bars=score.bars,
        keys=played_keys(score.keys, score.order, score.bars),
        markers=_markers(score),
        parts=tuple(part for part in parts if part.notes),
        tempo_words=tempo_words(
            [_column(score.parts, index) for index in range(len(score.numbers))],
            score.order,
            score.bars,
        ),
    )


def _played(score: Score, part: ScorePart) -> list[tuple[Fraction, RawMeasure]]:
    """Return the measures of a part in playing order, with their places."""
    placed = zip(score.bars, score.order, strict=True)
    return [
        (bar.start_beats, part.measures[index])
        for bar, index in placed
        if index < len(part.measures)
    ]


def _tempo(score: Score, length: Fraction) -> Steps[int]:
    """Return the tempo; a repeated bar has the tempo that holds where it stands."""
    in_force: list[int] = []
    inside: list[list[tuple[Fraction, int]]] = []
    us = DEFAULT_US_PER_QUARTER
    for index in range(len(score.numbers)):
        in_force.append(us)
        stated: dict[Fraction, int] = {}
        for measure in _column(score.parts, index):
            for at, bpm in measure.tempos:
                if MIN_BPM <= bpm <= MAX_BPM:
                    stated.setdefault(at, bpm_to_us_per_quarter(bpm))
        inside.append(sorted(stated.items()))
        us = inside[-1][-1][1] if inside[-1] else us
    changes = []
    for bar, index in zip(score.bars, score.order, strict=True):
        changes.append((bar.start_beats, in_force[index]))
        changes.extend((bar.start_beats + at, us) for at, us in inside[index])
    if len(changes) > MAX_CHANGES + MAX_BARS:
        raise LimitError(f"more than {MAX_CHANGES} tempos", where=score.name)
    return Steps.from_changes(changes, length=length, before=DEFAULT_US_PER_QUARTER)


def _markers(score: Score) -> tuple[Marker, ...]:
    markers = {
        Marker(start + direction.at, as_line(direction.text)[:MAX_NAME].strip())
        for part in score.parts
        for start, measure in _played(score, part)
        for direction in measure.directions
        if direction.kind == "rehearsal"
    }
    return tuple(sorted(marker for marker in markers if marker.text))


def _ticks(phrase: Phrase) -> int:
    """Return the coarsest grid that holds every note, within what a MIDI file can state."""
    denominators = {
        place.denominator
        for part in phrase.parts
        for note in part.notes
        for place in (note.on_beats, note.off_beats)
    }
    ticks = math.lcm(*denominators)
    return ticks if ticks <= MAX_TICKS else FINE_TICKS

"""Reads plan.json back, as far as placing, flipping and measuring need it.

The schema is ``docs/plan.schema.json``, its conventions ``docs/plan.md``. Whatever is wrong with a
file is said in one line that names the key.
"""

from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

from retro.errors import LimitError, PlanError
from retro.model.encoding import decoded
from retro.model.placement import Placement
from retro.model.plan_document import (
    SCHEMA,
    BarDocument,
    NoteDocument,
    PartDocument,
    PlanDocument,
    TimeDocument,
)
from retro.model.settings import Settings
from retro.model.time import Bar, Meter, Steps, TempoMap

MAX_BYTES = 256_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanFile:
    """What a plan.json says, its time made whole.

    Parameters
    ----------
    title, letter
        Of the song (its file where it has no title), and of the insert.
    start_s, length_s
        The window in song time, exact where the tempo map makes it so.
    song_tempo, song_bars, insert_tempo, insert_bars
        Time of the whole song, and of the insert.
    clicks_s
        Every click, on insert time.
    settings, parts, notes, placement
        As the file says; the placement is that of a phrase that starts at frame 0 of the take.
    """

    title: str
    letter: str
    start_s: Fraction
    length_s: Fraction
    song_tempo: TempoMap
    song_bars: tuple[Bar, ...]
    insert_tempo: TempoMap
    insert_bars: tuple[Bar, ...]
    clicks_s: tuple[float, ...]
    settings: Settings
    parts: tuple[PartDocument, ...]
    notes: tuple[NoteDocument, ...]
    placement: Placement


@dataclass(frozen=True, slots=True, kw_only=True)
class _AnyVersion:
    """What plans of every version say."""

    schema: str


def read_plan(path: Path) -> PlanFile:
    """Read a plan.json.

    Raises
    ------
    PlanError
        If it is no plan of this version, or a key is missing or means nothing.
    LimitError
        If it is larger than any plan.
    OSError
        If the file cannot be read.
    """
    if path.is_dir():
        raise PlanError("this is a folder", where=path, advice="name the plan.json inside it")
    with path.open("rb") as file:
        data = file.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        raise LimitError(f"more than {MAX_BYTES} bytes is no plan", where=path)
    return parse_plan(data, where=path.name)


def parse_plan(data: bytes, *, where: str) -> PlanFile:
    """Read the bytes of a plan.json; `where` names them in refusals.

    Raises
    ------
    PlanError
        As for `read_plan`.
    """
    try:
        return _plan(decoded(data, PlanDocument, where=where, refusal=PlanError), where)
    except PlanError:
        found = decoded(data, _AnyVersion, where=where, refusal=PlanError).schema
        if found != SCHEMA:
            raise PlanError(
                f"schema {found[:40]!r} is not {SCHEMA!r}",
                where=where,
                advice="build the pack again with this version of retro",
            ) from None
        raise


def _plan(document: PlanDocument, where: str) -> PlanFile:
    song, insert, window = document.song, document.insert, document.window
    song_tempo = _tempo(song, f"{where}: song")
    if not 0 <= window.start_beats < window.end_beats <= song_tempo.length_beats:
        raise PlanError("window does not lie in the song", where=where)
    for index, note in enumerate(document.notes):
        if note.part >= len(document.parts):
            raise PlanError(f"notes[{index}].part: there is no part {note.part}", where=where)
    start_s = song_tempo.seconds_at(window.start_beats)
    return PlanFile(
        title=song.title or document.source.name,
        letter=insert.letter,
        start_s=start_s,
        length_s=song_tempo.seconds_at(window.end_beats) - start_s,
        song_tempo=song_tempo,
        song_bars=_bars(song, f"{where}: song"),
        insert_tempo=_tempo(insert, f"{where}: insert"),
        insert_bars=_bars(insert, f"{where}: insert"),
        clicks_s=tuple(click.at_s for click in insert.clicks),
        settings=document.settings,
        parts=document.parts,
        notes=document.notes,
        placement=document.placement,
    )


def _tempo(time: TimeDocument, where: str) -> TempoMap:
    changes = [(change.at_beats, change.us_per_quarter) for change in time.tempo]
    if time.length_beats <= 0:
        raise PlanError("length_beats: is not above 0", where=where)
    if changes[0][0] != 0:
        raise PlanError("tempo: does not begin at 0", where=where)
    steps = Steps.from_changes(changes, length=time.length_beats, before=changes[0][1])
    return TempoMap(steps)


def _bars(time: TimeDocument, where: str) -> tuple[Bar, ...]:
    bars = tuple(_bar(bar, f"{where}: bars[{index}]") for index, bar in enumerate(time.bars))
    if any(later.start_beats < earlier.end_beats for earlier, later in pairwise(bars)):
        raise PlanError("bars: do not follow each other", where=where)
    return bars


def _bar(bar: BarDocument, where: str) -> Bar:
    numerator, _, denominator = bar.meter.partition("/")
    if bar.length_beats <= 0 or int(denominator) == 0:
        raise PlanError("is no bar: its length and meter are above 0", where=where)
    try:
        meter = Meter(int(numerator), int(denominator), bar.groups)
    except ValueError as fault:
        raise PlanError(str(fault), where=where) from None
    return Bar(bar.start_beats, bar.length_beats, meter, bar.into_beats, bar.number)

"""Reads plan.json back, as far as placing, flipping and measuring need it.

The schema is ``docs/plan.schema.json``, its conventions ``docs/plan.md``. Whatever is wrong with a
file is said in one line that names the key.
"""

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import TypeVar

from retro.errors import LimitError, PlanError
from retro.model.sound import Room
from retro.model.time import Bar, Meter, Steps, TempoMap, with_pick_up
from retro.units import number_to_beats

T = TypeVar("T")

SCHEMA = "retro-plan/1"
"""The only version that is read."""

LARGEST_BYTES = 256_000_000
LARGEST_NUMBER = 1e12
"""Beyond any time in samples that a day has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanPart:
    """One part: its name as printed, and its instrument's key."""

    name: str
    instrument: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanNote:
    """One target note; fields as in `retro.model.performance.PlayedNote`."""

    part: int
    pitch: int
    velocity: int
    target_on_s: float
    target_off_s: float
    played_on_s: float
    played_off_s: float
    written_on_beats: Fraction
    written_off_beats: Fraction
    attack_s: float
    decay_s: float
    lands_s: float
    landing_error_ms: float
    written_landing_error_ms: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanPlacement:
    """The placement as planned, for a phrase that starts at frame 0 of the take."""

    rate: int
    length_samples: int
    roll_s: float
    roll_samples: int
    tail_kept_samples: int
    window_start_samples: int
    shift_samples: int
    shift_ms: float
    spread_ms: float
    clip_start_samples: int
    pre_roll_samples: int
    first_attack_samples: int
    last_release_samples: int
    first_attack_s: float
    last_release_s: float
    silent_s: float
    audible_from_s: float
    attack_doubt_ms: float
    time_reference_samples: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanFile:
    """What a plan.json says.

    Parameters
    ----------
    source_name, song_title, letter
        The target file, the song, the insert's letter.
    start_s, length_s
        The window in song time, exact where the tempo map makes it so.
    song_tempo, song_bars, insert_tempo, insert_bars
        Time of the whole song, and of the insert.
    clicks_s
        Every click, on insert time.
    count_in_s
        Length of the count-in.
    room, onset_db, habit, rate, session_start, frame_rate, temperature_c
        Settings of the run; see `retro.model.settings`.
    parts, notes, placement
        See there.
    """

    source_name: str
    song_title: str
    letter: str
    start_s: Fraction
    length_s: Fraction
    song_tempo: TempoMap
    song_bars: tuple[Bar, ...]
    insert_tempo: TempoMap
    insert_bars: tuple[Bar, ...]
    clicks_s: tuple[float, ...]
    count_in_s: float
    room: Room
    onset_db: float
    habit: str
    rate: int
    session_start: str
    frame_rate: str
    temperature_c: float
    parts: tuple[PlanPart, ...]
    notes: tuple[PlanNote, ...]
    placement: PlanPlacement


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
        data = file.read(LARGEST_BYTES + 1)
    if len(data) > LARGEST_BYTES:
        raise LimitError(f"more than {LARGEST_BYTES} bytes is no plan", where=path)
    return parse_plan(data, where=path.name)


def parse_plan(data: bytes, *, where: str) -> PlanFile:
    """Read the bytes of a plan.json; `where` names them in refusals.

    Raises
    ------
    PlanError
        As for `read_plan`.
    """
    try:
        document = json.loads(data.decode("utf-8-sig"), parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as fault:
        raise PlanError(f"not JSON: {fault}", where=where) from fault
    top = _Keys(document, where, "")
    found = top.text("schema")
    if found != SCHEMA:
        raise PlanError(
            f"schema {found[:40]!r} is not {SCHEMA!r}",
            where=where,
            advice="build the pack again with this version of retro",
        )
    return _plan(top)


def _refuse_constant(name: str) -> None:
    raise ValueError(f"{name} is no number")


class _Keys:
    """One JSON object, read key by key; a refusal names the key's path."""

    def __init__(self, value: object, where: str, path: str) -> None:
        self.where = where
        self.path = path
        if not isinstance(value, dict):
            raise self.refusal("is not an object")
        self.values: dict[str, object] = value

    def refusal(self, what: str, key: str | None = None) -> PlanError:
        path = self.path if key is None else self._path(key)
        return PlanError(f"{path or 'the file'} {what}", where=self.where)

    def _path(self, key: str) -> str:
        return f"{self.path}.{key}" if self.path else key

    def value(self, key: str) -> object:
        if key not in self.values:
            raise self.refusal("is missing", key)
        return self.values[key]

    def text(self, key: str, default: str | None = None) -> str:
        value = self.values.get(key, default) if default is not None else self.value(key)
        if not isinstance(value, str):
            raise self.refusal("is not a text", key)
        return value

    def number(
        self, key: str, *, low: float = -LARGEST_NUMBER, high: float = LARGEST_NUMBER
    ) -> float:
        value = self.value(key)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.refusal("is not a number", key)
        if not low <= value <= high:
            raise self.refusal(f"is not between {low:g} and {high:g}", key)
        return float(value)

    def positive(self, key: str) -> float:
        return self.number(key, low=math.ulp(0.0))

    def integer(
        self, key: str, *, low: float = -LARGEST_NUMBER, high: float = LARGEST_NUMBER
    ) -> int:
        value = self.value(key)
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.refusal("is not a whole number", key)
        if not low <= value <= high:
            raise self.refusal(f"is not between {low:g} and {high:g}", key)
        return value

    def beats(self, key: str) -> Fraction:
        return number_to_beats(self.number(key, low=-1e9, high=1e9))

    def inside(self, key: str) -> "_Keys":
        return _Keys(self.value(key), self.where, self._path(key))

    def each(
        self, key: str, read: Callable[["_Keys"], T], *, may_lack: bool = False
    ) -> tuple[T, ...]:
        if may_lack and key not in self.values:
            return ()
        values = self.value(key)
        if not isinstance(values, list):
            raise self.refusal("is not a list", key)
        path = self._path(key)
        return tuple(
            read(_Keys(value, self.where, f"{path}[{index}]")) for index, value in enumerate(values)
        )


def _plan(top: _Keys) -> PlanFile:
    song, insert, window = top.inside("song"), top.inside("insert"), top.inside("window")
    settings = top.inside("settings")
    room = settings.inside("room")
    song_tempo, insert_tempo = _tempo(song), _tempo(insert)
    start_beats, end_beats = window.beats("start_beats"), window.beats("end_beats")
    if not 0 <= start_beats < end_beats <= song_tempo.length_beats:
        raise window.refusal("does not lie in the song")
    start_s = song_tempo.seconds_at(start_beats)
    parts = top.each("parts", _part)
    return PlanFile(
        source_name=top.inside("source").text("name", "") if "source" in top.values else "",
        song_title=song.text("title", ""),
        letter=insert.text("letter", "A"),
        start_s=start_s,
        length_s=song_tempo.seconds_at(end_beats) - start_s,
        song_tempo=song_tempo,
        song_bars=_bars(song),
        insert_tempo=insert_tempo,
        insert_bars=_bars(insert),
        clicks_s=insert.each("clicks", lambda click: click.number("at_s"), may_lack=True),
        count_in_s=insert.number("count_in_s", low=0.0),
        room=Room(
            reverberation_s=room.positive("reverberation_s"),
            direct_to_reverberant_db=room.number("direct_to_reverberant_db", low=-200, high=200),
        ),
        onset_db=settings.positive("onset_db"),
        habit=settings.text("habit", "speak"),
        rate=settings.integer("rate", low=1, high=1_000_000),
        session_start=settings.text("session_start", "00:00:00:00"),
        frame_rate=settings.text("frame_rate", "25"),
        temperature_c=settings.number("temperature_c", low=-100, high=100),
        parts=parts,
        notes=_notes(top, len(parts)),
        placement=_placement(top.inside("placement")),
    )


def _tempo(keys: _Keys) -> TempoMap:
    length = keys.beats("length_beats")
    if length <= 0:
        raise keys.refusal("is not above 0", "length_beats")
    changes = keys.each(
        "tempo",
        lambda change: (
            change.beats("at_beats"),
            change.integer("us_per_quarter", low=1, high=0xFFFFFFFF),
        ),
    )
    if not changes or changes[0][0] != 0:
        raise keys.refusal("does not begin at 0", "tempo")
    return TempoMap(Steps.from_changes(changes, length=length, before=changes[0][1]))


def _bars(keys: _Keys) -> tuple[Bar, ...]:
    bars = keys.each("bars", _bar)
    if not bars:
        raise keys.refusal("is empty", "bars")
    if any(later.start_beats < earlier.end_beats for earlier, later in pairwise(bars)):
        raise keys.refusal("do not follow each other", "bars")
    return with_pick_up(bars)


def _bar(keys: _Keys) -> Bar:
    length = keys.beats("length_beats")
    numerator, slash, denominator = keys.text("meter").partition("/")
    groups = keys.value("groups")
    try:
        if not (slash and isinstance(groups, list) and 0 < int(denominator) <= 4096):
            raise ValueError
        meter = Meter(int(numerator), int(denominator), tuple(int(size) for size in groups))
    except (ValueError, TypeError, OverflowError):
        raise keys.refusal("is not a meter with its beat groups", "meter") from None
    if length <= 0:
        raise keys.refusal("is not above 0", "length_beats")
    return Bar(keys.beats("start_beats"), length, meter)


def _part(keys: _Keys) -> PlanPart:
    return PlanPart(name=keys.text("name"), instrument=keys.text("instrument"))


def _notes(top: _Keys, parts: int) -> tuple[PlanNote, ...]:
    def note(keys: _Keys) -> PlanNote:
        return PlanNote(
            part=keys.integer("part", low=0, high=parts - 1),
            pitch=keys.integer("pitch", low=0, high=127),
            velocity=keys.integer("velocity", low=1, high=127),
            target_on_s=keys.number("target_on_s"),
            target_off_s=keys.number("target_off_s"),
            played_on_s=keys.number("played_on_s"),
            played_off_s=keys.number("played_off_s"),
            written_on_beats=keys.beats("written_on_beats"),
            written_off_beats=keys.beats("written_off_beats"),
            attack_s=keys.number("attack_s", low=0.0),
            decay_s=keys.positive("decay_s"),
            lands_s=keys.number("lands_s"),
            landing_error_ms=keys.number("landing_error_ms"),
            written_landing_error_ms=keys.number("written_landing_error_ms"),
        )

    return top.each("notes", note)


def _placement(keys: _Keys) -> PlanPlacement:
    reference = keys.values.get("time_reference_samples")
    return PlanPlacement(
        rate=keys.integer("rate", low=1, high=1_000_000),
        length_samples=keys.integer("length_samples", low=1),
        roll_s=keys.number("roll_s", low=0.0),
        roll_samples=keys.integer("roll_samples", low=0),
        tail_kept_samples=keys.integer("tail_kept_samples", low=0),
        window_start_samples=keys.integer("window_start_samples", low=0),
        shift_samples=keys.integer("shift_samples"),
        shift_ms=keys.number("shift_ms"),
        spread_ms=keys.number("spread_ms", low=0.0),
        clip_start_samples=keys.integer("clip_start_samples"),
        pre_roll_samples=keys.integer("pre_roll_samples", low=0),
        first_attack_samples=keys.integer("first_attack_samples"),
        last_release_samples=keys.integer("last_release_samples"),
        first_attack_s=keys.number("first_attack_s"),
        last_release_s=keys.number("last_release_s"),
        silent_s=keys.number("silent_s"),
        audible_from_s=keys.number("audible_from_s"),
        attack_doubt_ms=keys.number("attack_doubt_ms", low=0.0),
        time_reference_samples=(
            None if reference is None else keys.integer("time_reference_samples", low=0)
        ),
    )

"""Settings in: a TOML file and the flags of a command become `Settings`.

A file is read strictly: an unknown key, a value of the wrong kind or out of its range is refused,
and all that is wrong with a file is said at once. Flags go before the file.
"""

import difflib
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from retro.errors import RetroError, SettingsError
from retro.files.together import is_unfinished
from retro.model.settings import (
    BeatGroups,
    Compensate,
    Habit,
    Landing,
    PaperSize,
    PartSettings,
    ScoreIn,
    Section,
    Settings,
    SoundFormat,
)
from retro.model.time import Meter
from retro.read.guess import instrument_called
from retro.read.toml_file import read_toml
from retro.read.window import PLACE
from retro.read.written_numbers import fraction_of
from retro.units.timecode import FRAME_RATES, frame_rate, parse_label

RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 384_000)
"""Sample rates that sessions run at (common practice)."""

GRID_DENOMINATORS = (1, 2, 3, 4, 6, 8, 12, 16)
"""What a quarter note may be divided by on paper."""

MAX_SWELL_BEATS = 512
"""Quarter notes of the longest swell."""

Reader = Callable[[object], object]
"""Turns a raw value into a setting, or raises ValueError that says what is wanted."""


def _number(low: float, high: float, unit: str) -> Reader:
    def read(value: object) -> float:
        if isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high:
            return float(value)
        raise ValueError(f"a number from {low:g} to {high:g}{unit}")

    return read


def _whole(low: int, high: int) -> Reader:
    def read(value: object) -> int:
        if isinstance(value, int) and not isinstance(value, bool) and low <= value <= high:
            return value
        raise ValueError(f"a whole number from {low} to {high}")

    return read


def _one_of(choices: Iterable[object]) -> Reader:
    known = {str(choice): choice for choice in choices}

    def read(value: object) -> object:
        if not isinstance(value, bool) and str(value) in known:
            return known[str(value)]
        raise ValueError(f"one of {', '.join(known)}")

    return read


def _flag(value: object) -> bool:
    if isinstance(value, bool):
        return value
    raise ValueError("true or false")


def _sections(value: object) -> tuple[Section, ...]:
    known = [section.value for section in Section]
    if isinstance(value, list | tuple) and value and all(str(item) in known for item in value):
        return tuple(section for section in Section if section.value in map(str, value))
    raise ValueError(f"a list out of {', '.join(known)}")


def _text(value: object) -> str:
    text = " ".join(value.split()) if isinstance(value, str) else ""
    if 1 <= len(text) <= 200 and text.isprintable():
        return text
    raise ValueError("a line of text of at most 200 characters")


def _tracks(value: object) -> tuple[str, ...]:
    """Read a list, or one line of names with commas between them."""
    items = value.split(",") if isinstance(value, str) else value
    if isinstance(items, list | tuple) and items:
        return tuple(_match(item) for item in items)
    raise ValueError('names or numbers of tracks, such as "Violins I, Horns, Harp"')


def _path(value: object) -> str:
    if isinstance(value, str) and 1 <= len(value) <= 4000 and value.isprintable():
        return value
    raise ValueError("the path of a file")


def _letter(value: object) -> str:
    if isinstance(value, str) and re.fullmatch("[A-Z]{1,3}", value.strip().upper()):
        return value.strip().upper()
    raise ValueError("one to three letters, such as A or BB")


def _bars(value: object) -> str:
    text = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    wanted = ValueError("bars such as 33-36, or one bar such as 33")
    found = re.fullmatch(r"\s*([0-9]{1,5})(?:\s*[-–]\s*([0-9]{1,5}))?\s*", str(text))
    if not isinstance(text, str) or not found:
        raise wanted
    first = int(found[1])
    last = int(found[2] or first)
    if first > last:
        raise ValueError(f"the first bar before the last: {last}-{first}")
    if last < 1:
        raise wanted
    return f"{first}-{last}" if found[2] else str(first)


def _place(value: object) -> str:
    text = str(value) if isinstance(value, int | str) and not isinstance(value, bool) else ""
    if PLACE.fullmatch(text):
        return text.strip()
    raise ValueError('bar and beat in quotes, such as "31.3", or "31.3+1/2"')


def _fraction(value: object) -> Fraction | None:
    if isinstance(value, str):
        return fraction_of(value)
    if isinstance(value, bool) or not isinstance(value, int | float | Fraction):
        return None
    try:
        return Fraction(str(value))
    except ValueError:
        return None


def _beats(value: object) -> Fraction:
    beats = _fraction(value)
    if beats is not None and 0 < beats <= 1 and beats.denominator in GRID_DENOMINATORS:
        return beats
    raise ValueError("a part of a quarter note such as 1/4 (a 16th) or 1/3 (a triplet 8th)")


def _swell_beats(value: object) -> Fraction:
    beats = _fraction(value)
    if beats is not None and 0 < beats <= MAX_SWELL_BEATS and beats.denominator <= 96:
        return beats
    raise ValueError(f"quarter notes such as 8 or 7/2, at most {MAX_SWELL_BEATS}")


def _lands_on(value: object) -> str:
    text = _text(str(value) if isinstance(value, int | float) else value)
    if not re.fullmatch(r"\d{1,6}(\.\d{1,3}(\.\d{1,6})?)?", text):
        raise ValueError("a bar and beat of the song, such as 29.1")
    return text


def _meter_groups(value: object) -> tuple[BeatGroups, ...]:
    if not isinstance(value, Mapping):
        raise ValueError('meters and their beat groups, such as "7/8" = [2, 2, 3]')
    return tuple(sorted(_meter_group(str(name), groups) for name, groups in value.items()))


def _meter_group(name: str, value: object) -> BeatGroups:
    wanted = ValueError(f'beat groups that fill {name[:20]!r}, such as "7/8" = [2, 2, 3]')
    meter = re.fullmatch(r"([1-9][0-9]?)/([1-9][0-9]?)", name)
    sizes = value.split("+") if isinstance(value, str) else value
    if meter is None or not isinstance(sizes, list | tuple):
        raise wanted
    texts = [str(size).strip() for size in sizes]
    if not all(re.fullmatch("[1-9][0-9]?", text) for text in texts):
        raise wanted
    try:
        filled = Meter(int(meter[1]), int(meter[2]), tuple(int(text) for text in texts))
    except ValueError:
        raise wanted from None
    return BeatGroups(str(filled), filled.groups)


def _match(value: object) -> str:
    if isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    return _text(value)


def _instrument(value: object) -> str:
    name = _text(value)
    try:
        return instrument_called(name).id
    except RetroError as refusal:
        raise ValueError(f"a known instrument; {refusal.advice}") from None


ATTACK_S = _number(0.0, 2.0, " s")
DECAY_S = _number(0.01, 60.0, " s")

TABLES: dict[str, dict[str, Reader]] = {
    "": {
        "onset_db": _number(1.0, 40.0, " dB"),
        "audible_db": _number(10.0, 120.0, " dB"),
        "compensate": _one_of(Compensate),
        "habit": _one_of(Habit),
        "landing": _one_of(Landing),
        "shortest_s": _number(0.01, 2.0, " s"),
        "keep_gaps": _flag,
        "lands_on": _lands_on,
        "swell_beats": _swell_beats,
        "grid_beats": _beats,
        "straighten_swing": _flag,
        "count_in_bars": _whole(0, 8),
        "rate": _one_of(RATES),
        "session_start": _text,
        "frame_rate": _one_of(FRAME_RATES),
        "lateness_s": _number(-1.0, 1.0, " s"),
        "letter": _letter,
        "title": _text,
        "meter_groups": _meter_groups,
        "temperature_c": _number(-20.0, 50.0, " degrees Celsius"),
        "seed": _whole(0, 2**32 - 1),
        "tracks": _tracks,
    },
    "window": {
        "bars": _bars,
        "from": _place,
        "to": _place,
        "start_marker": _text,
        "end_marker": _text,
        "replaces": _bars,
    },
    "room": {
        "reverberation_s": _number(0.05, 20.0, " s"),
        "direct_to_reverberant_db": _number(-40.0, 40.0, " dB"),
    },
    "pack": {
        "paper": _one_of(PaperSize),
        "score_in": _one_of(ScoreIn),
        "sound_format": _one_of(SoundFormat),
        "stems": _flag,
        "over": _path,
        "soundfont": _path,
        "sounds": _path,
        "into": _path,
        "only": _sections,
    },
}
"""Every setting by its table in a file; ``""`` is the top of the file."""

FIELDS = {"from": "start", "to": "end"}
"""Settings whose field is not called as their key."""

PART_KEYS: dict[str, Reader] = {
    "match": _match,
    "instrument": _instrument,
    "name": _text,
    "landing": _one_of(Landing),
    "attack_s": ATTACK_S,
    "decay_s": DECAY_S,
    "leave_out": _flag,
    "sampler_attack_s": ATTACK_S,
    "sampler_decay_s": DECAY_S,
    "bank": _whole(0, 128),
    "program": _whole(0, 127),
    "key": _whole(0, 127),
}
"""The settings of a ``[[part]]``."""

_PLACES = {key: table for table, keys in TABLES.items() for key in keys}


def beside(target: Path) -> Path | None:
    """Return the settings file beside a target (same name, ``.toml``), or None if there is none."""
    if is_unfinished(target):
        raise SettingsError(
            "the draft that wrote this target and its settings was stopped between the two",
            where=target,
            advice="run retro draft again with --overwrite",
        )
    path = target.parent / f"{target.stem}.toml"
    return path if path.is_file() else None


def read_settings(path: Path) -> Settings:
    """Read a settings file.

    Raises
    ------
    SettingsError
        In one line, with everything that is wrong with the file.
    """
    return load_settings(path, {})


def load_settings(path: Path | None, overrides: Mapping[str, object]) -> Settings:
    """Read settings from a TOML file, if there is one, and put the given flags before them.

    `overrides` have their keys in the file, whatever table these stand in (``bars``,
    ``reverberation_s``, ``onset_db``); None leaves what the file or the default says.

    Raises
    ------
    SettingsError
        In one line, with everything that is wrong.
    """
    problems: list[str] = []
    table = read_toml(path, "settings file") if path is not None else {}
    values = dict(_read_tables(table, problems))
    parts = tuple(_read_parts(table.get("part", []), problems))
    _refuse(problems, path)
    given = {key: value for key, value in overrides.items() if value is not None}
    readers = {key: read for keys in TABLES.values() for key, read in keys.items()}
    flags = dict(_read_keys(given, readers, "", problems))
    _refuse(problems, "flags")
    if flags.keys() & TABLES["window"].keys() - {"replaces"}:
        values = {key: value for key, value in values.items() if key not in TABLES["window"]}
    settings = _settings({**values, **flags}, parts)
    _refuse(_contradictions(settings), path if path is not None else "flags")
    return settings


def _refuse(problems: list[str], where: object) -> None:
    if not problems:
        return
    said = "; ".join(problems)
    if len(problems) > 1:
        said = f"{len(problems)} settings are wrong: {said}"
    raise SettingsError(said, where=where)


def _read_tables(table: Mapping[str, object], problems: list[str]) -> Iterator[tuple[str, Any]]:
    top = {key: value for key, value in table.items() if key not in (*TABLES, "part")}
    yield from _read_keys(top, TABLES[""], "", problems)
    for name in filter(None, TABLES):
        inside = table.get(name, {})
        if isinstance(inside, Mapping):
            yield from _read_keys(inside, TABLES[name], name, problems)
        else:
            problems.append(f"{name}: want a table [{name}]")


def _read_keys(
    table: Mapping[str, object], readers: Mapping[str, Reader], place: str, problems: list[str]
) -> Iterator[tuple[str, Any]]:
    """Yield the settings of one table; what is wrong goes to `problems`."""
    for key, value in table.items():
        name = f"{place}.{key}" if place else key
        if key not in readers:
            problems.append(f"unknown setting {name[:60]!r}{_hint(key, readers)}")
            continue
        try:
            yield key, readers[key](value)
        except ValueError as wanted:
            problems.append(f"{name} = {_short(value)}: want {wanted}")


def _hint(key: str, readers: Iterable[str]) -> str:
    home = _PLACES.get(key)
    if home is not None:
        return f" (it belongs {f'in [{home}]' if home else 'at the top, before any table'})"
    near = difflib.get_close_matches(key, [*readers, *_PLACES, *TABLES, "part"], n=1)
    return f" (did you mean {near[0]!r}?)" if near else ""


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:37]}..."


def _read_parts(tables: object, problems: list[str]) -> Iterator[PartSettings]:
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        problems.append("part: want tables [[part]]")
        return
    matches: set[str] = set()
    for number, table in enumerate(tables, start=1):
        place = f"part {number}"
        values = dict(_read_keys(table, PART_KEYS, place, problems))
        match = str(values.get("match", ""))
        if "match" not in table:
            problems.append(f"{place}: want match, the name or number of a track")
        elif match and match in matches:
            problems.append(f"{place}: {match!r} is matched twice")
        matches.add(match)
        yield replace(PartSettings(match=match), **values)


def _settings(values: Mapping[str, Any], parts: tuple[PartSettings, ...]) -> Settings:
    """Build settings from values that their readers have checked."""
    of_room = TABLES["room"].keys()
    room = replace(Settings().room, **{key: values[key] for key in values if key in of_room})
    others = {FIELDS.get(key, key): values[key] for key in values if key not in of_room}
    return replace(Settings(), room=room, parts=parts, **others)


def _contradictions(settings: Settings) -> list[str]:
    """Say what single settings cannot know of one another."""
    problems = []
    if settings.onset_db >= settings.audible_db:
        problems.append(
            f"onset_db = {settings.onset_db:g} is not below audible_db = {settings.audible_db:g}: "
            "a tone is audible before it is perceived as begun"
        )
    if settings.bars and (settings.start_marker or settings.end_marker):
        problems.append("the window is given as bars and as markers: want one of the two")
    try:
        parse_label(settings.session_start, frame_rate(settings.frame_rate))
    except SettingsError as refusal:
        problems.append(f"session_start: {refusal}")
    return problems

"""The known instruments and their figures; each figure is a default that a person may replace.

The table is ``orchestra.toml`` beside this module.

Conventions
-----------
Ranges are given as written and kept as sounding MIDI pitches. Where figures come from, and how far
the truth may lie from them, stands in the table's ``sources``. Highest notes are held against
published texts end by end in ``tests/evidence/test_ranges_text.py``. Transpositions are those of
music21's instrument table where it has the instrument; clefs, score order and abbreviations are
common practice.
"""

import difflib
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from importlib import resources
from typing import Any, Literal

import msgspec

from retro.errors import RetroError
from retro.model.instruments import (
    Attack,
    Clef,
    Decay,
    Family,
    Instrument,
    Sound,
    Source,
    Transposition,
)
from retro.units import ms_to_seconds, named_pitch

STOPPED_BY_PLAYERS_S = 0.25
"""A player's lips, reed and tongue stop an air column sooner than it would fall by itself: the
upper end of what was measured from outside on sampled winds."""

HAND_DAMPED_S = 0.2
"""60 dB decay of a plucked string under a hand (our own estimate)."""

PIZZICATO_PROGRAM = 45
"""General MIDI's "pizzicato strings", numbered from 0."""

_Points = tuple[tuple[str, float], ...]


class _Row(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One instrument as the table states it.

    `attack`, `sampler_attack` and `transposition` name rows of their own tables. Points of a decay
    are the names of sounding pitches, and seconds. `has_solo` adds one player of a section, whose
    sampler decays by `solo_sampler_decay_s`, `plucked_decay` the same players plucking their
    strings.
    """

    id: str
    family: Family
    name: str
    abbreviation: str
    score_order: int
    programs: tuple[int, ...] = ()
    written: tuple[str, str]
    transposition: str = "concert"
    clefs: tuple[Clef, ...] = (Clef.TREBLE,)
    staves: int = 1
    sound: Sound = Sound.SUSTAINED
    section: bool = False
    attack: str
    decay: Literal["air-column", "stopped-air-column"] | _Points
    damper_s: float | None = None
    sampler_attack: str | None = None
    sampler_decay_s: float | None = None
    solo_sampler_decay_s: float | None = None
    breath_s: float | None = None
    plucked_decay: _Points = ()
    has_solo: bool = False
    attack_source: str = "attack"
    decay_source: str
    sampler_source: str | None = None


class _Table(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The whole table; the rows of `instruments` are completed by those of their family."""

    sources: dict[str, Source]
    attacks: dict[str, tuple[int, int, int, int]]
    transpositions: dict[str, tuple[int, int, int]]
    usual: dict[Family, dict[str, Any]]
    instruments: dict[Family, dict[str, dict[str, Any]]]


def instruments_of(text: str) -> tuple[Instrument, ...]:
    """Return the instruments of a table in TOML, in its order.

    Raises
    ------
    msgspec.ValidationError
        If a key is unknown, missing or of another kind; names it.
    KeyError
        If a row names an attack, a transposition or a source that the table does not have.
    """
    table = msgspec.convert(tomllib.loads(text), _Table)
    instruments: list[Instrument] = []
    for family, rows in table.instruments.items():
        for id_, stated in rows.items():
            whole = {"id": id_, "family": family, **table.usual.get(family, {}), **stated}
            instruments.extend(_players_of(msgspec.convert(whole, _Row), table))
    return tuple(instruments)


def _players_of(row: _Row, table: _Table) -> Iterator[Instrument]:
    """Yield what a row states: the instrument itself, one player of it, and both plucked."""
    bowed = [_instrument(row, table)]
    if row.has_solo:
        bowed.append(_alone(bowed[0]))
    yield from bowed
    if row.plucked_decay:
        decay = _decay(row.plucked_decay)
        yield from (_plucked(instrument, decay, table) for instrument in bowed)


def _instrument(row: _Row, table: _Table) -> Instrument:
    transposition = Transposition(*table.transpositions[row.transposition])
    low, high = (named_pitch(name) + transposition.semitones for name in row.written)
    return Instrument(
        id=row.id,
        name=row.name,
        abbreviation=row.abbreviation,
        family=row.family,
        score_order=row.score_order,
        programs=row.programs,
        low=low,
        high=high,
        transposition=transposition,
        clefs=row.clefs,
        staves=row.staves,
        sound=row.sound,
        attack=_attack(table.attacks[row.attack]),
        decay=_air_column(low, high, row.decay)
        if isinstance(row.decay, str)
        else _decay(row.decay),
        damper_s=row.damper_s,
        sampler_attack=_attack(table.attacks[row.sampler_attack]) if row.sampler_attack else None,
        sampler_decay=_always(row.sampler_decay_s),
        program_decay=_always(row.solo_sampler_decay_s) if row.has_solo else None,
        breath_s=row.breath_s,
        section=row.section,
        sources=tuple(_sources(row, table.sources)),
    )


def _sources(row: _Row, sources: dict[str, Source]) -> Iterator[tuple[str, Source]]:
    yield "range", sources["compass"]
    yield "attack", sources[row.attack_source]
    yield "decay", sources[row.decay_source]
    if row.sampler_attack is not None:
        yield "sampler attack", sources[row.sampler_attack]
    if row.sampler_decay_s is not None and row.sampler_source is not None:
        yield "sampler decay", sources[row.sampler_source]
    if row.damper_s is not None:
        yield "damper", sources["damper"]
    if row.breath_s is not None:
        yield "breath", sources["breath"]


def _attack(loud_high_low_soft_high_low_ms: tuple[int, int, int, int]) -> Attack:
    seconds = map(ms_to_seconds, loud_high_low_soft_high_low_ms)
    keys = ("loud_high_s", "loud_low_s", "soft_high_s", "soft_low_s")
    return Attack(**dict(zip(keys, seconds, strict=True)))


def _always(seconds: float | None) -> Decay | None:
    return None if seconds is None else Decay.always(seconds)


def _decay(points: _Points) -> Decay:
    return Decay(tuple((named_pitch(name), seconds) for name, seconds in points))


def _air_column(low: int, high: int, kind: str) -> Decay:
    """Return the decay of an air column that falls by itself, or that its player stops."""
    column = Decay.air_column(low, high)
    if kind == "air-column":
        return column
    points = tuple((pitch, min(s, STOPPED_BY_PLAYERS_S)) for pitch, s in column.points)
    is_level = len({s for _, s in points}) == 1
    return Decay.always(STOPPED_BY_PLAYERS_S) if is_level else Decay(points)


def _alone(section: Instrument) -> Instrument:
    """Return one player of a section."""
    return replace(
        section,
        id="solo-" + section.name.lower().replace(" ", "-"),
        name=f"Solo {section.name}",
        abbreviation=f"Solo {section.abbreviation}",
        score_order=section.score_order - 1,
        sampler_decay=section.program_decay,
        section=False,
    )


def _plucked(bowed: Instrument, decay: Decay, table: _Table) -> Instrument:
    """Return the same players plucking their strings."""
    stated = {
        "decay": table.sources["plucked-strings"],
        "damper": table.sources["damper"],
        "sampler attack": table.sources["sampled-plucked"],
    }
    kept = {figure: source for figure, source in bowed.sources if figure != "sampler decay"}
    return replace(
        bowed,
        id=f"{bowed.id}-pizzicato",
        score_order=bowed.score_order + 2,
        programs=(PIZZICATO_PROGRAM,),
        sound=Sound.STRUCK,
        attack=_attack(table.attacks["plucked"]),
        decay=decay,
        sampler_attack=_attack(table.attacks["sampled-plucked"]),
        sampler_decay=None,
        program_decay=None,
        sources=tuple((kept | stated).items()),
        damper_s=HAND_DAMPED_S,
    )


_IN_TABLE_ORDER = instruments_of(
    resources.files("retro.model").joinpath("orchestra.toml").read_text(encoding="utf-8")
)

INSTRUMENTS: tuple[Instrument, ...] = tuple(
    sorted(_IN_TABLE_ORDER, key=lambda instrument: instrument.score_order)
)
"""All known instruments, in score order."""

_BY_ID = {instrument.id: instrument for instrument in INSTRUMENTS}

NEUTRAL = _BY_ID["neutral"]
"""Who plays a track of which nobody knows what it is: sustains, speaks at once, plays anything."""

_BY_PROGRAM = {
    program: instrument
    for instrument in reversed(_IN_TABLE_ORDER)
    for program in instrument.programs
}


def by_id(id_: str) -> Instrument:
    """Return the instrument of an id such as ``horn-in-f``.

    Raises
    ------
    RetroError
        If there is none; names the nearest ones.
    """
    if id_ in _BY_ID:
        return _BY_ID[id_]
    near = difflib.get_close_matches(id_.strip().lower().replace(" ", "-"), _BY_ID, n=3, cutoff=0.5)
    advice = f"did you mean {' or '.join(near)}?" if near else "see 'retro instruments'"
    raise RetroError(f"no instrument is called {id_!r}", advice=advice)


def for_program(program: int) -> Instrument | None:
    """Return the instrument that a General MIDI program (0 to 127) means, or None."""
    return _BY_PROGRAM.get(program)

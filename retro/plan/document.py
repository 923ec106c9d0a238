"""plan.json: every number of a plan, for programs.

The schema is `docs/plan.schema.json`, the conventions are `docs/plan.md`. Seconds and milliseconds
are rounded to a nanosecond and a microsecond, so that the file is the same on every machine.
"""

import json
from collections.abc import Iterable
from dataclasses import fields
from enum import Enum
from fractions import Fraction
from statistics import median
from typing import Any

from retro.model.performance import Performance, PlayedNote, Window
from retro.model.phrase import Phrase
from retro.model.settings import Settings
from retro.model.time import Bar, TempoMap
from retro.placement.table import finding_document, placement_document
from retro.plan.compose import Plan
from retro.units import tidy_ms, tidy_s
from retro.version import VERSION

SCHEMA = "retro-plan/1"

Document = dict[str, Any]


def plan_document(plan: Plan) -> Document:
    """Give a plan as plain data, in the order of the schema."""
    performance = plan.performance
    return {
        "schema": SCHEMA,
        "version": VERSION,
        "source": {
            "name": plan.song.name,
            "sha256": plan.song.sha256,
            "ticks_per_quarter": plan.song.ticks_per_quarter,
        },
        "song": _song(plan.song.phrase, performance.target.title),
        "window": _window(plan.window),
        "settings": _settings(performance.settings),
        "insert": _insert(plan),
        "parts": [_part(performance, index) for index in range(len(performance.players))],
        "silent": list(plan.silent),
        "notes": [_note(note) for note in performance.notes],
        "placement": placement_document(plan.placement),
        "findings": [finding_document(finding) for finding in plan.findings],
    }


def plan_json(plan: Plan) -> bytes:
    """Give the bytes of ``plan.json``."""
    text = json.dumps(plan_document(plan), indent=1, ensure_ascii=False, allow_nan=False)
    return f"{text}\n".encode()


def _song(song: Phrase, title: str) -> Document:
    return {
        "title": title,
        "length_beats": float(song.length_beats),
        "tempo": _tempo(song.tempo),
        "bars": _bars(song.bars),
    }


def _window(window: Window) -> Document:
    return {
        "start_beats": float(window.start_beats),
        "end_beats": float(window.end_beats),
        "start_s": tidy_s(window.start_s),
        "end_s": tidy_s(window.end_s),
        "start_bar": window.start_bar,
        "end_bar": window.end_bar,
        "length_beats": float(window.length_beats),
        "length_s": tidy_s(window.length_s),
    }


def _insert(plan: Plan) -> Document:
    performance = plan.performance
    insert = performance.insert
    return {
        "letter": performance.settings.letter,
        "heading": plan.heading,
        "length_beats": float(insert.length_beats),
        "length_s": tidy_s(insert.length_s),
        "bars": _bars(insert.bars),
        "tempo": _tempo(insert.tempo),
        "count_in_bars": performance.settings.count_in_bars,
        "count_in_beats": float(plan.count_in_beats),
        "count_in_s": tidy_s(-insert.tempo.seconds_at(-plan.count_in_beats)),
        "clicks": [
            {"at_s": tidy_s(insert.tempo.seconds_at(click.beat)), "accent": click.is_accent}
            for click in plan.clicks
        ],
    }


def _part(performance: Performance, index: int) -> Document:
    player = performance.players[index]
    notes = [note for note in performance.notes if note.part == index]
    return {
        "index": index,
        "name": player.name,
        "instrument": player.instrument.id,
        "track": performance.target.parts[index].name,
        "guessed_from": player.guessed_from,
        "attack_s": tidy_s(median(note.attack_s for note in notes)),
        "decay_s": tidy_s(median(note.decay_s for note in notes)),
        "onset_spread_ms": _spread_ms(note.written_onset_error_ms for note in notes),
        "landing_spread_ms": _spread_ms(note.written_landing_error_ms for note in notes),
    }


def _spread_ms(errors_ms: Iterable[float | None]) -> float:
    """Give half the distance between the extremes."""
    known = [error for error in errors_ms if error is not None]
    return tidy_ms((max(known) - min(known)) / 2) if known else 0.0


def _note(note: PlayedNote) -> Document:
    return {
        "part": note.part,
        "pitch": note.target.pitch,
        "velocity": note.target.velocity,
        "target_on_s": tidy_s(note.target_on_s),
        "target_off_s": tidy_s(note.target_off_s),
        "played_on_s": tidy_s(note.played_on_s),
        "played_off_s": tidy_s(note.played_off_s),
        "written_on_beats": float(note.written_on_beats),
        "written_off_beats": float(note.written_off_beats),
        "attack_s": tidy_s(note.attack_s),
        "decay_s": tidy_s(note.decay_s),
        "audible_from_s": tidy_s(note.audible_from_s),
        "onset_s": tidy_s(note.onset_s),
        "full_s": tidy_s(note.full_s),
        "lands_s": tidy_s(note.lands_s),
        "onset_error_ms": _maybe_ms(note.onset_error_ms),
        "landing_error_ms": tidy_ms(note.landing_error_ms),
        "written_onset_error_ms": _maybe_ms(note.written_onset_error_ms),
        "written_landing_error_ms": tidy_ms(note.written_landing_error_ms),
        "is_short": note.is_short,
    }


def _maybe_ms(value_ms: float | None) -> float | None:
    return None if value_ms is None else tidy_ms(value_ms)


def _bars(bars: tuple[Bar, ...]) -> list[Document]:
    return [
        {
            "number": number,
            "start_beats": float(bar.start_beats),
            "length_beats": float(bar.length_beats),
            "meter": str(bar.meter),
            "groups": list(bar.meter.groups),
        }
        for number, bar in enumerate(bars, start=1)
    ]


def _tempo(tempo: TempoMap) -> list[Document]:
    return [
        {"at_beats": float(start), "us_per_quarter": us}
        for start, _, us in tempo.us_per_quarter.spans()
    ]


def _settings(settings: Settings) -> Document:
    return {field.name: _plain(getattr(settings, field.name)) for field in fields(settings)} | {
        "meter_groups": [
            {"meter": meter, "groups": list(groups)} for meter, groups in settings.meter_groups
        ],
    }


def _plain(value: object) -> Any:
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Fraction):
        return float(value)
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "__dataclass_fields__"):
        return {name: _plain(getattr(value, name)) for name in value.__dataclass_fields__}
    return value

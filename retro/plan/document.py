"""plan.json: every number of a plan, for programs.

The schema is `docs/plan.schema.json`, the conventions are `docs/plan.md`. Seconds and milliseconds
are rounded to a nanosecond and a microsecond, so that the file is the same on every machine.
"""

from collections.abc import Iterable
from dataclasses import fields
from statistics import median
from typing import Any

from retro.model.encoding import encoded
from retro.model.performance import NoteTimes, Performance, PlayedNote
from retro.model.plan_document import (
    SCHEMA,
    BarDocument,
    ClickDocument,
    InsertDocument,
    NoteDocument,
    PartDocument,
    PlanDocument,
    SongDocument,
    SourceDocument,
    TempoDocument,
    WindowDocument,
)
from retro.model.time import Bar, TempoMap, printed_number
from retro.plan.compose import Plan
from retro.units import rounded_to_ns, rounded_to_us
from retro.version import VERSION


def plan_document(plan: Plan) -> PlanDocument:
    """Return what plan.json says of a plan."""
    performance, song = plan.performance, plan.song.phrase
    return PlanDocument(
        schema=SCHEMA,
        version=VERSION,
        source=SourceDocument(
            name=plan.song.name,
            sha256=plan.song.sha256,
            ticks_per_quarter=plan.song.ticks_per_quarter,
        ),
        song=SongDocument(
            title=performance.target.title,
            length_beats=song.length_beats,
            tempo=_tempo(song.tempo),
            bars=_bars(
                song.bars, [printed_number(song.bars, n + 1) for n in range(len(song.bars))]
            ),
        ),
        window=WindowDocument(**_rounded_fields(WindowDocument, plan.window)),
        settings=performance.settings,
        insert=_insert(plan),
        parts=tuple(_part(performance, index) for index in range(len(performance.players))),
        silent=tuple(player.name for player in plan.silent),
        notes=tuple(_note(note) for note in performance.notes),
        placement=plan.placement,
        findings=plan.findings,
    )


def plan_json(plan: Plan) -> bytes:
    """Return the bytes of ``plan.json``."""
    return encoded(plan_document(plan))


def _insert(plan: Plan) -> InsertDocument:
    insert, settings = plan.performance.insert, plan.performance.settings
    return InsertDocument(
        letter=settings.letter,
        heading=plan.heading,
        length_beats=insert.length_beats,
        length_s=rounded_to_ns(insert.length_s),
        bars=_bars(insert.bars, range(1, len(insert.bars) + 1)),
        tempo=_tempo(insert.tempo),
        count_in_bars=settings.count_in_bars,
        count_in_beats=plan.count_in_beats,
        count_in_s=rounded_to_ns(-insert.tempo.seconds_at(-plan.count_in_beats)),
        clicks=tuple(
            ClickDocument(
                at_s=rounded_to_ns(insert.tempo.seconds_at(click.beat)), accent=click.is_accent
            )
            for click in plan.clicks
        ),
    )


def _part(performance: Performance, index: int) -> PartDocument:
    player = performance.players[index]
    notes = [note for note in performance.notes if note.part == index]
    return PartDocument(
        index=index,
        name=player.name,
        instrument=player.instrument.id,
        track=performance.target.parts[index].name,
        guessed_from=player.guessed_from,
        attack_s=rounded_to_ns(median(note.attack_s for note in notes)),
        decay_s=rounded_to_ns(median(note.decay_s for note in notes)),
        written_attack_s=rounded_to_ns(median(note.written_attack_s for note in notes)),
        written_decay_s=rounded_to_ns(median(note.written_decay_s for note in notes)),
        onset_spread_ms=_spread_ms(note.written_onset_error_ms for note in notes),
        landing_spread_ms=_spread_ms(note.written_landing_error_ms for note in notes),
    )


def _spread_ms(errors_ms: Iterable[float | None]) -> float:
    """Return half the distance between the extremes."""
    known = [error for error in errors_ms if error is not None]
    return rounded_to_us((max(known) - min(known)) / 2) if known else 0.0


def _note(note: PlayedNote) -> NoteDocument:
    times = _rounded_fields(NoteTimes, note)
    return NoteDocument(pitch=note.target.pitch, velocity=note.target.velocity, **times)


def _rounded_fields(kind: type[NoteTimes | WindowDocument], value: object) -> dict[str, Any]:
    """Return what an object has for the fields of a class, as files have them."""
    return {each.name: _rounded(each.name, getattr(value, each.name)) for each in fields(kind)}


def _rounded(name: str, value: Any) -> Any:
    """Return a value as files have it, by the unit that its name carries."""
    if value is None:
        return None
    if name.endswith("_s"):
        return rounded_to_ns(value)
    return rounded_to_us(value) if name.endswith("_ms") else value


def _bars(bars: tuple[Bar, ...], numbers: Iterable[int]) -> tuple[BarDocument, ...]:
    return tuple(
        BarDocument(
            number=number,
            start_beats=bar.start_beats,
            length_beats=bar.length_beats,
            into_beats=bar.into_beats,
            meter=str(bar.meter),
            groups=bar.meter.groups,
        )
        for number, bar in zip(numbers, bars, strict=True)
    )


def _tempo(tempo: TempoMap) -> tuple[TempoDocument, ...]:
    return tuple(
        TempoDocument(at_beats=start, us_per_quarter=us)
        for start, _, us in tempo.us_per_quarter.spans()
    )

"""Which notes of a plan stand so free in a take that their rise or their fall can be read.

A note is followed in the bands of its partials. A band is free where no partial of another note
that begins or ends meanwhile lies in it: what sounds on steadily is a background that is seen. For
a fall nothing else may sound there at all, since nobody sees what lies under it. The shorter the
windows, the wider the bands: of those that are short beside the edge, the ones that leave the most
bands are taken; else the shortest that leave enough.

A sustained tone tells how its instrument speaks where it follows a rest, and how it dies away
where it precedes one; under a slur it tells neither. A stroke tells both.

Conventions
-----------
Times are insert time in seconds, as people play what is written with the click.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from retro.model.instruments import Sound
from retro.model.orchestra import by_id
from retro.model.sound import FloatArray, Room
from retro.read.plan_file import PlanFile
from retro.units import ms_to_seconds, pitch_to_hz

WINDOWS_S = (0.012, 0.021, 0.043)
PARTIALS, MAX_HZ, MAX_RATE_SHARE = 12, 6_000.0, 0.42
OTHER_PARTIALS = 10
MIN_BANDS = 3
"""Partials that have to be free, so that the answer of the room is not taken for the tone's."""

MISTUNED = 0.01
"""How far from its place a partial may lie, as a share of its frequency."""

SHORT_RISE, SHORT_FALL = 0.3, 0.12
"""A window is short up to this share of an attack, or of a decay."""

PERIODS = 2.5
"""Periods of a tone in a window that hears several of its partials as one."""

REST_S = 0.06
MIN_HELD_S, MIN_FALL_S = 0.25, 0.15
RISES_S, FALLS_S = (1.0, 0.5, 0.3), (0.8, 0.4, 0.25)
"""How long a rise and a fall are looked at: the longest that is free."""

STROKE_S = 0.3
"""How long the beginning of a stroke is looked at."""

BEFORE_RISE_S, BEFORE_FALL_S, SETTLED_S = 0.25, 0.3, 0.2
"""How long before its moment a note is looked at, and how long after its start it is full."""

APART_S = 0.12
"""How far from its place a player may begin or end."""

HIDDEN_DB = 25.0
"""What has fallen by this hides no fall."""

STRUCK_SOUNDS = 0.25
"""A struck tone is heard for this share of its decay at least (15 dB)."""


class Edge(StrEnum):
    """What is read of a note."""

    RISE = "rise"
    FALL = "fall"
    RING = "ring"


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeNote:
    """A note as people play it.

    `has_start` and `has_stop` say whether these are moments at all; `attack_s` and `decay_s` are
    the plan's.
    """

    index: int
    part: int
    pitch: int
    velocity: int
    on_s: float
    off_s: float
    attack_s: float
    decay_s: float
    has_start: bool
    has_stop: bool
    is_struck: bool
    is_unpitched: bool

    @property
    def sounds_until_s(self) -> float:
        """When it is let go, or has rung out for the most part."""
        if self.is_struck:
            return max(self.off_s, self.on_s + STRUCK_SOUNDS * self.decay_s)
        return self.off_s


@dataclass(frozen=True, slots=True, kw_only=True)
class FreeEdge:
    """A rise or a fall that can be read.

    Parameters
    ----------
    note, edge
        Which.
    start_s, at_s, end_s
        The stretch that is looked at, and where in it the edge is expected.
    window_s
        Length of the windows.
    bands
        Frequencies of the partials in every band.
    """

    note: TakeNote
    edge: Edge
    start_s: float
    at_s: float
    end_s: float
    window_s: float
    bands: tuple[tuple[float, ...], ...]


def take_notes(plan: PlanFile) -> tuple[TakeNote, ...]:
    """Return the notes of a plan as people play them, in its order."""
    return tuple(_notes(plan))


def _notes(plan: PlanFile) -> Iterator[TakeNote]:
    seconds_at = plan.insert_tempo.seconds_at
    instruments = [by_id(part.instrument) for part in plan.parts]
    for index, note in enumerate(plan.notes):
        instrument = instruments[note.part]
        on_s = float(seconds_at(note.written_on_beats))
        errors_ms = note.landing_error_ms, note.written_landing_error_ms
        has_start = note.lands_s is not None and None not in errors_ms
        if note.lands_s is not None and errors_ms[0] is not None and errors_ms[1] is not None:
            # Where it is rolled, or its level moves, it is heard beside its place on paper.
            on_s = float(plan.length_s) - note.lands_s + ms_to_seconds(errors_ms[0] - errors_ms[1])
        yield TakeNote(
            index=index,
            part=note.part,
            pitch=note.pitch,
            velocity=note.velocity,
            on_s=on_s,
            off_s=max(float(seconds_at(note.written_off_beats)), on_s),
            attack_s=note.written_attack_s,
            decay_s=note.written_decay_s,
            has_start=has_start,
            has_stop=note.written_onset_error_ms is not None,
            is_struck=instrument.sound is Sound.STRUCK,
            is_unpitched=instrument.is_unpitched,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The edges of one player that stand free, and how many were covered or slurred."""

    edges: tuple[FreeEdge, ...]
    covered: int = 0
    slurred: int = 0


def free_edges(
    notes: Sequence[TakeNote],
    part: int,
    edge: Edge,
    *,
    among: Sequence[int],
    room: Room,
    rate: int,
) -> Found:
    """Return the rises or the falls of a player that stand free.

    Parameters
    ----------
    notes
        All of the plan.
    edge
        `RING` is how a struck tone dies away.
    among
        Parts that the microphone hears well.
    room
        How long what was played before rings on.
    rate
        Frames a second.
    """
    own = [note for note in notes if note.part == part and not note.is_unpitched]
    others = [note for note in notes if note.part in among]
    edges: list[FreeEdge] = []
    covered, slurred = 0, 0
    for note in own:
        spans = list(_spans(note, own, edge))
        hz = _partials_hz(note, rate)
        beside = [other for other in others if other.index != note.index]
        found = None
        for start_s, at_s, end_s in spans:
            there = [other for other in beside if _covers(other, edge, start_s, end_s, room)]
            found = _edge(note, edge, (start_s, at_s, end_s), (hz, _away_hz(hz, there)))
            if found is not None:
                break
        slurred += not spans
        covered += bool(spans) and found is None
        edges += [] if found is None else [found]
    return Found(edges=tuple(edges), covered=covered, slurred=slurred)


_Span = tuple[float, float, float]
"""Start, expected moment and end."""


def _spans(note: TakeNote, own: Sequence[TakeNote], edge: Edge) -> Iterator[_Span]:
    """Yield the stretches in which an edge may be read, the longest first; none for no edge."""
    if edge is Edge.RISE:
        yield from _rise_spans(note, own)
    elif edge is Edge.FALL:
        yield from _fall_spans(note, own)
    elif note.is_struck:
        next_s = _next_s(note, own)
        for length_s in (2.0, 1.0, 0.5):
            end_s = min(note.on_s + length_s, next_s - APART_S)
            if end_s - note.on_s >= MIN_FALL_S + 0.1:
                yield note.on_s + 0.03, note.on_s, end_s


def _rise_spans(note: TakeNote, own: Sequence[TakeNote]) -> Iterator[_Span]:
    before_s = max((other.off_s for other in own if other.on_s < note.on_s - 0.02), default=-np.inf)
    is_slurred = not note.is_struck and before_s > note.on_s - REST_S
    last_s = note.off_s - REST_S if not note.is_struck else _next_s(note, own) - APART_S
    if is_slurred or not note.has_start or last_s - note.on_s < MIN_HELD_S - REST_S:
        return
    for length_s in RISES_S if not note.is_struck else (STROKE_S,):
        yield note.on_s - BEFORE_RISE_S, note.on_s, min(note.on_s + length_s, last_s)


def _fall_spans(note: TakeNote, own: Sequence[TakeNote]) -> Iterator[_Span]:
    start_s = max(note.on_s + SETTLED_S, note.off_s - BEFORE_FALL_S)
    last_s = _next_s(note, own) - APART_S
    held_s = note.off_s - start_s
    if note.is_struck or not note.has_stop or held_s < 0.08 or last_s - note.off_s < MIN_FALL_S:
        return
    for length_s in FALLS_S:
        yield start_s, note.off_s, min(note.off_s + length_s, last_s)


def _next_s(note: TakeNote, own: Sequence[TakeNote]) -> float:
    return min((other.on_s for other in own if other.on_s > note.on_s + 0.02), default=np.inf)


def _partials_hz(note: TakeNote, rate: int) -> FloatArray:
    hz = pitch_to_hz(note.pitch) * np.arange(1, PARTIALS + 1)
    return np.asarray(hz[hz < min(MAX_HZ, MAX_RATE_SHARE * rate)])


def _away_hz(hz: FloatArray, others: Sequence[TakeNote]) -> FloatArray:
    """Return how far away from each partial one of other notes lies."""
    away_hz = np.full(hz.size, np.inf)
    for other in others:
        if other.is_unpitched:
            return np.asarray(0.0 * hz)
        theirs = pitch_to_hz(other.pitch) * np.arange(1, OTHER_PARTIALS + 1)
        away_hz = np.minimum(away_hz, np.abs(hz[:, np.newaxis] - theirs).min(axis=1))
    return np.asarray(away_hz)


def _edge(
    note: TakeNote, edge: Edge, span: _Span, partials: tuple[FloatArray, FloatArray]
) -> FreeEdge | None:
    """Return an edge as it is heard through the windows that serve best; None where none does."""
    hz, away_hz = partials
    serving: list[tuple[float, tuple[tuple[float, ...], ...]]] = []
    for window_s in WINDOWS_S:
        width_hz = 4.0 / window_s
        free = hz[away_hz > width_hz + MISTUNED * hz]
        if free.size >= MIN_BANDS and not _ripples(pitch_to_hz(note.pitch), window_s):
            serving.append((window_s, _bands(free, width_hz)))
    if not serving:
        return None
    short = [one for one in serving if one[0] <= _short_s(note, edge)]
    window_s, bands = max(short or serving[:1], key=lambda one: len(one[1]))
    start_s, at_s, end_s = span
    return FreeEdge(
        note=note,
        edge=edge,
        start_s=start_s,
        at_s=at_s,
        end_s=end_s,
        window_s=window_s,
        bands=bands,
    )


def _short_s(note: TakeNote, edge: Edge) -> float:
    """Return how long a window is that is short beside an edge."""
    if edge is Edge.RISE:
        return SHORT_RISE * note.attack_s
    return SHORT_FALL * note.decay_s


def _ripples(base_hz: float, window_s: float) -> bool:
    """Return whether a window hears partials together and is too short for them to even out."""
    are_joined = base_hz < 4.0 / window_s
    return are_joined and base_hz * window_s < PERIODS and window_s != WINDOWS_S[-1]


def _covers(other: TakeNote, edge: Edge, start_s: float, end_s: float, room: Room) -> bool:
    """Return whether another note may be taken for a rise, or hides a fall."""
    if edge is Edge.RISE:
        rings_s = 0.15 * (room.reverberation_s + other.decay_s)
        begins = start_s < other.on_s + APART_S and other.on_s - APART_S < end_s
        stops_s = other.sounds_until_s
        return begins or (start_s < stops_s + rings_s and stops_s - APART_S < end_s)
    rings_s = HIDDEN_DB / 60.0 * max(room.reverberation_s, other.decay_s)
    return other.on_s - APART_S < end_s and other.sounds_until_s + rings_s > start_s


def _bands(hz: FloatArray, width_hz: float) -> tuple[tuple[float, ...], ...]:
    """Return partials band by band: those that a window cannot tell apart are one."""
    bands: list[list[float]] = []
    for partial_hz in hz.tolist():
        if bands and partial_hz - bands[-1][-1] < width_hz:
            bands[-1].append(partial_hz)
        else:
            bands.append([partial_hz])
    return tuple(tuple(band) for band in bands)

"""What is played so that the flipped sound begins and lands where the target does.

A tone starts at ``s`` and is stopped at ``p``. It is heard to begin and to end where its energy
crosses one threshold, ``X`` below the greatest that it has (`retro.model.tones`): ``rise(X)`` after
its start and ``fall(X)`` after its stop. Turned round about the window's end ``L``, it lands at
``L - s - rise(X)``, is full from ``L - p`` and begins at ``L - p - fall(X)``. So a target that is
meant to last ``[o, e)`` wants ``s = L - e - rise(X)`` and ``p = L - o - fall(X)``; where levels
move, both are found by trying again from what is missed.

A tone that grows from nothing has no moment at which it begins, one that dies away none at which
it lands: these are None, and the plain mirror's.

Conventions
-----------
Target and heard times are window time, played and written times insert time, as in
`retro.model.performance`. Arrays have shape (notes,) in the order of (part, target note). A sampler
plays what is exact, people play what is written: each by its own figures.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from retro.model.figures import off_the_grid
from retro.model.instruments import Player, Sound
from retro.model.levels import SMOOTHING_S, Levels
from retro.model.performance import Performance, PlayedNote
from retro.model.phrase import Phrase
from retro.model.settings import Compensate, Habit, Settings
from retro.model.sound import FloatArray, Room, fall_s, rise_s
from retro.model.time import TempoMap
from retro.model.tones import GRID, BoolArray, Crossings, IntArray, Look, Tones
from retro.reversal.figure_spans import with_figures, without_figures
from retro.reversal.figures import find_figures
from retro.reversal.gaps import without_gaps
from retro.reversal.landing import apart_at_the_start, on_starts, stabs_on_starts, struck_on_starts
from retro.reversal.mirror import insert_of, mirror_note
from retro.reversal.quantize import Span, quantize
from retro.reversal.rolls import find_rolls, may_roll
from retro.units import db_to_energy, nearest, seconds_to_ms, velocity_to_db

MAX_TRIALS = 40
"""Trials for start and stop; where no level moves, the third hits."""

HIT_S = 1e-9

MAX_RISE = 1.5
"""Longest rise in attacks that a start is moved by: enough for the wettest room."""

MIN_SLOPE = 0.1
"""Least that a step is taken to move what is heard."""

HEARD_TOGETHER_S = 1e-6

EDGE_MARGIN_DB = 3.0
"""How far within the threshold the level of a note stands at an edge that is a moment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Figures:
    """How the tones of one kind of performer rise and fall, in seconds."""

    attack_s: FloatArray
    decay_s: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Notes:
    """Every note of the target as arrays, with the figures that hold for it.

    `off_s` is where a note is meant to end, `stated_off_s` where the file ends it; `has_onset` and
    `has_landing` say whether the target is loud enough at its edges for them to be moments.
    """

    length_s: float
    part: IntArray
    pitch: IntArray
    velocity: IntArray
    on_s: FloatArray
    off_s: FloatArray
    stated_off_s: FloatArray
    sampler: _Figures
    people: _Figures
    damper_s: FloatArray
    is_struck: BoolArray
    lands_at_start: BoolArray
    has_onset: BoolArray
    has_landing: BoolArray
    levels: Levels

    @property
    def wanted_landing_s(self) -> FloatArray:
        return np.where(self.lands_at_start, self.on_s, self.off_s)

    @property
    def wanted_onset_s(self) -> FloatArray:
        """Where the swell begins: as far before the landing as the note is long."""
        return np.where(self.lands_at_start, 2.0 * self.on_s - self.off_s, self.on_s)

    @property
    def is_shapeable(self) -> BoolArray:
        """Whether the player's stop shapes the heard onset."""
        can_be_stopped = np.isfinite(self.damper_s) & ~self.lands_at_start
        return np.asarray((~self.is_struck | can_be_stopped) & self.has_onset)

    def tones(self, start_s: FloatArray, stop_s: FloatArray, by: _Figures, room: Room) -> Tones:
        """Return what sounds when the notes are played from `start_s` to `stop_s`."""
        return Tones(
            part=self.part,
            start_s=start_s,
            stop_s=np.maximum(stop_s, start_s),
            attack_s=by.attack_s,
            decay_s=by.decay_s,
            damper_s=self.damper_s,
            is_struck=self.is_struck,
            levels=self.levels,
            room=room,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Strokes:
    """Start and stop of every note, on insert time in seconds."""

    start_s: FloatArray
    stop_s: FloatArray
    is_short: BoolArray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Heard:
    """What the listener hears of every note, on window time; NaN where it hears no moment."""

    audible_from_s: FloatArray
    onset_s: FloatArray
    full_s: FloatArray
    lands_s: FloatArray


def perform(target: Phrase, players: tuple[Player, ...], settings: Settings) -> Performance:
    """Work out the performance of a target phrase.

    Parameters
    ----------
    target
        What the listener shall hear, on window time.
    players
        One per part of the target. Without any compensation all of them land on the ends of
        their notes: that is the plain mirror.
    settings
        Room, thresholds, switches, grid.

    Returns
    -------
    Performance
        With one `PlayedNote` per target note, in the order of (part, note).

    Raises
    ------
    ValueError
        If there is not one player per part.
    """
    insert = insert_of(target)
    if settings.compensate is Compensate.NONE:
        players = tuple(replace(player, lands_at_start=False) for player in players)
    meant, gaps = (target, ()) if settings.keep_gaps else without_gaps(target, players)
    meant = apart_at_the_start(meant, players)
    figures = find_figures(target, players, grid_beats=settings.grid_beats)
    written = _written_spans(target, without_figures(meant, figures), settings)
    on_grid_at_start, findings = on_starts(players, written, target.length_beats)
    ornaments = off_the_grid(figures)
    notes = _gather(
        target,
        meant,
        insert,
        players,
        settings,
        at_start=_at_start(players, target, ornaments, on_grid_at_start),
    )
    on_grid = np.array([i not in ornaments for i in range(len(notes.part))], dtype=bool)
    exact = _exact_strokes(notes, settings)
    paper_on_grid = list(
        _paper_spans(
            players,
            written,
            on_grid_at_start,
            pitches=notes.pitch[on_grid],
            falls_s=np.where(
                notes.has_onset,
                fall_s(settings.onset_db, notes.people.decay_s, settings.room),
                0.0,
            )[on_grid],
            insert=insert,
            settings=settings,
        )
    )
    paper_beats = with_figures(
        paper_on_grid,
        figures,
        part_sizes=[len(part.notes) for part in target.parts],
        start_s=exact.start_s,
        tempo=insert.tempo,
    )
    rolled_s = _rolled_s(insert, players, notes.pitch, paper_beats, exact.start_s)
    paper = _paper_strokes(notes, paper_beats, rolled_s, insert.tempo, settings)
    played = _played_notes(
        target=target,
        notes=notes,
        exact=exact,
        paper_beats=paper_beats,
        heard=_heard(notes, exact, notes.sampler, settings),
        heard_on_paper=_heard(notes, paper, notes.people, settings),
        is_controlled=_controls_onset(notes, exact, settings),
    )
    return Performance(
        target=target,
        insert=insert,
        players=players,
        settings=settings,
        notes=tuple(played),
        findings=(*gaps, *findings),
        figures=figures,
    )


def _at_start(
    players: Sequence[Player],
    target: Phrase,
    ornaments: frozenset[int],
    on_grid: Sequence[Sequence[bool]],
) -> list[bool]:
    """Return which notes of all land on their starts: figures as their players do elsewhere."""
    known = (starts for part in on_grid for starts in part)
    pairs = (player for player, part in zip(players, target.parts, strict=True) for _ in part.notes)
    return [
        player.lands_at_start if i in ornaments else next(known) for i, player in enumerate(pairs)
    ]


def _gather(
    target: Phrase,
    meant: Phrase,
    insert: Phrase,
    players: tuple[Player, ...],
    settings: Settings,
    *,
    at_start: Sequence[bool],
) -> _Notes:
    pairs = [
        (note, player)
        for part, player in zip(meant.parts, players, strict=True)
        for note in part.notes
    ]
    seconds_at = meant.tempo.seconds_at
    length_s = float(meant.length_s)
    part = np.array([i for i, part in enumerate(meant.parts) for _ in part.notes], dtype=int)
    on_s = np.array([float(seconds_at(note.on_beats)) for note, _ in pairs])
    off_s = np.array([float(seconds_at(note.off_beats)) for note, _ in pairs])
    levels = Levels.of(insert)
    has_onset, has_landing = _moments(
        levels, part, length_s - off_s, length_s - on_s, settings.onset_db
    )
    programs = [part.program for part in meant.parts for _ in part.notes]
    sampler = [
        (p.sampler_attack_s(n.pitch), p.sampler_decay_s(n.pitch, program))
        for (n, p), program in zip(pairs, programs, strict=True)
    ]
    people = [(p.attack_s(n.pitch, n.velocity), p.decay_s(n.pitch)) for n, p in pairs]
    dampers_s = [player.instrument.damper_s for _, player in pairs]
    return _Notes(
        length_s=length_s,
        part=part,
        pitch=np.array([note.pitch for note, _ in pairs], dtype=int),
        velocity=np.array([note.velocity for note, _ in pairs], dtype=int),
        on_s=on_s,
        off_s=off_s,
        stated_off_s=np.array(
            [float(seconds_at(note.off_beats)) for part in target.parts for note in part.notes]
        ),
        sampler=_figures(sampler),
        people=_figures(people),
        damper_s=np.array([math.inf if s is None else s for s in dampers_s], dtype=float),
        is_struck=np.array([p.instrument.sound is Sound.STRUCK for _, p in pairs], dtype=bool),
        lands_at_start=np.array(at_start, dtype=bool),
        has_onset=has_onset,
        has_landing=has_landing,
        levels=levels,
    )


def _figures(pairs: Sequence[tuple[float, float]]) -> _Figures:
    attack_s, decay_s = np.array(pairs, dtype=float).reshape(-1, 2).T
    return _Figures(attack_s=attack_s, decay_s=decay_s)


def _moments(
    levels: Levels, part: IntArray, from_s: FloatArray, to_s: FloatArray, drop_db: float
) -> tuple[BoolArray, BoolArray]:
    """Return whether target notes are loud enough at their onset, and at their landing.

    Their spans are on insert time; a level is smoothed over the edges, so it is read beside them.
    Loud enough is within the threshold by a margin: closer to it the slow course of the level, and
    not the tone's rise or fall, would say where the threshold is crossed.
    """
    inside_s = np.minimum(0.5 * SMOOTHING_S, 0.25 * (to_s - from_s))
    from_s, to_s = from_s + inside_s, to_s - inside_s
    level = levels.energy(part, from_s[:, np.newaxis] + (to_s - from_s)[:, np.newaxis] * GRID)
    least = level.max(axis=1, initial=0.0) * db_to_energy(EDGE_MARGIN_DB - drop_db)
    return (level[:, -1] >= least) & (least > 0.0), (level[:, 0] >= least) & (least > 0.0)


def _exact_strokes(notes: _Notes, settings: Settings) -> _Strokes:
    """Find start and stop of every note."""
    wanted_start_s = notes.length_s - notes.wanted_landing_s
    wanted_stop_s = notes.length_s - notes.wanted_onset_s
    target_length_s = notes.off_s - notes.on_s
    rises_s = rise_s(settings.onset_db, notes.sampler.attack_s)
    moves_starts = settings.compensate.moves_starts
    start_s = wanted_start_s - rises_s if moves_starts else wanted_start_s
    if settings.compensate is Compensate.NONE:
        return _Strokes(
            start_s=notes.length_s - notes.stated_off_s,
            stop_s=wanted_stop_s,
            is_short=np.zeros(start_s.shape, dtype=bool),
        )
    is_moved = notes.is_shapeable & settings.compensate.moves_stops
    stop_s = shortest_s = wanted_stop_s
    steps = _Steps(start_s.shape)
    for _ in range(MAX_TRIALS):
        shortest_s = start_s + rises_s + np.minimum(settings.shortest_s, target_length_s)
        next_s = _next_start_s(notes, start_s)
        bounded_s = np.where(is_moved, np.maximum(stop_s, shortest_s), stop_s)
        stop_s = np.minimum(bounded_s, np.maximum(next_s, start_s))
        found = _crossings(notes, start_s, stop_s, notes.sampler, settings)
        missed_start_s = np.where(notes.has_landing, found.first_s - wanted_start_s, 0.0)
        missed_stop_s = np.where(is_moved, found.last_s - wanted_stop_s, 0.0)
        missed_start_s = np.nan_to_num(missed_start_s) * moves_starts
        missed_stop_s = np.nan_to_num(missed_stop_s)
        start_s = _begun(start_s - steps.after(missed_start_s), wanted_start_s, notes.sampler)
        next_stop_s = np.minimum(stop_s - missed_stop_s, wanted_stop_s)
        is_settled = np.abs(np.maximum(next_stop_s, shortest_s) - stop_s) < HIT_S
        stop_s = next_stop_s
        if np.all(np.abs(missed_start_s) < HIT_S) and np.all(is_settled | ~is_moved):
            break
    shortest_s = start_s + rises_s + np.minimum(settings.shortest_s, target_length_s)
    is_short = is_moved & (stop_s < shortest_s)
    stop_s = np.minimum(np.where(is_short, shortest_s, stop_s), _next_start_s(notes, start_s))
    return _Strokes(start_s=start_s, stop_s=np.maximum(stop_s, start_s), is_short=is_short)


def _begun(start_s: FloatArray, heard_s: FloatArray, by: _Figures) -> FloatArray:
    """Return starts that are no earlier than a rise asks for, and no later than what is heard."""
    return np.clip(start_s, heard_s - MAX_RISE * by.attack_s, heard_s)


class _Steps:
    """Steps towards what hits, by the secant: where a level moves, a miss is no step."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self._missed_s, self._step_s = np.zeros(shape), np.zeros(shape)

    def after(self, missed_s: FloatArray) -> FloatArray:
        """Return the steps to take back after some misses."""
        slope = np.ones(missed_s.shape)
        np.divide(
            self._missed_s - missed_s, self._step_s, out=slope, where=np.abs(self._step_s) > HIT_S
        )
        self._step_s = missed_s / np.clip(slope, MIN_SLOPE, 1.0 / MIN_SLOPE)
        self._missed_s = missed_s
        return self._step_s


def _crossings(
    notes: _Notes, start_s: FloatArray, stop_s: FloatArray, by: _Figures, settings: Settings
) -> Crossings:
    """Return where tones cross the threshold below their own greatest energy, on insert time."""
    look = Look.at(notes.tones(start_s, stop_s, by, settings.room))
    return look.crossings(look.greatest * db_to_energy(-settings.onset_db))


def _next_start_s(notes: _Notes, start_s: FloatArray) -> FloatArray:
    """When the same part starts the same pitch again: a key or string must be free by then.

    ``inf`` where it does not, or where the target's own notes overlap (two players in unison).
    """
    order = np.lexsort((start_s, notes.pitch, notes.part))
    this, following = order[:-1], order[1:]
    is_again = (
        (notes.part[this] == notes.part[following])
        & (notes.pitch[this] == notes.pitch[following])
        & (notes.off_s[following] <= notes.on_s[this])
    )
    next_s = np.full(start_s.shape, np.inf)
    next_s[this] = np.where(is_again, start_s[following], np.inf)
    return next_s


def _heard(notes: _Notes, strokes: _Strokes, by: _Figures, settings: Settings) -> _Heard:
    """Turn a performance round: what the listener hears of it."""
    tones = notes.tones(strokes.start_s, strokes.stop_s, by, settings.room)
    look = Look.at(tones)
    edges = look.crossings(look.greatest * db_to_energy(-settings.onset_db))
    struck_level = np.array([db_to_energy(velocity_to_db(int(v))) for v in notes.velocity])
    loudest = float(np.max(look.greatest * struck_level, initial=0.0))
    heard_from = db_to_energy(-settings.audible_db) * loudest / struck_level
    length_s = notes.length_s
    latest_s = strokes.start_s + 2.0 * MAX_RISE * by.attack_s + SMOOTHING_S
    is_edge = notes.has_landing & (edges.first_s <= latest_s)
    lands_s = np.where(is_edge, length_s - edges.first_s, np.nan)
    return _Heard(
        audible_from_s=length_s - look.crossings(heard_from).last_s,
        onset_s=np.where(notes.has_onset, length_s - edges.last_s, np.nan),
        full_s=np.where(
            notes.is_struck,
            length_s - np.where(np.isnan(edges.first_s), strokes.start_s, edges.first_s),
            length_s - tones.stop_s,
        ),
        lands_s=lands_s,
    )


def _controls_onset(notes: _Notes, strokes: _Strokes, settings: Settings) -> BoolArray:
    """Return whether the player can put the heard onset on its beat.

    A struck tone that has fallen below the threshold by itself before the stop cannot.
    """
    free = replace(notes, damper_s=np.full(notes.on_s.shape, np.inf))
    alone = _crossings(free, strokes.start_s, strokes.stop_s, notes.sampler, settings)
    rings_on = notes.length_s - alone.last_s <= notes.on_s + HEARD_TOGETHER_S
    is_shaped = notes.is_shapeable & ~notes.lands_at_start
    return np.asarray(is_shaped & (~notes.is_struck | rings_on))


def _written_spans(target: Phrase, meant: Phrase, settings: Settings) -> list[list[Span]]:
    """Return the quantized spans of the insert in the order of the target's notes."""
    quantized = quantize(
        insert_of(meant),
        grid_beats=settings.grid_beats,
        straighten_swing=settings.straighten_swing,
    )
    ordered = []
    for part, spans in zip(meant.parts, quantized, strict=True):
        mirrored = [mirror_note(note, target.length_beats) for note in part.notes]
        places = sorted(range(len(mirrored)), key=mirrored.__getitem__)
        by_target: list[Span] = [(Fraction(0), Fraction(0))] * len(places)
        for place, span in zip(places, spans, strict=True):
            by_target[place] = span
        ordered.append(by_target)
    return ordered


def _paper_spans(
    players: tuple[Player, ...],
    written: list[list[Span]],
    at_start: Sequence[Sequence[bool]],
    *,
    pitches: IntArray,
    falls_s: FloatArray,
    insert: Phrase,
    settings: Settings,
) -> Iterator[Span]:
    """Return what is written for each note: whole grid units only.

    Notes of a part that end together are let go together, by the slowest fall among them; struck
    tones as `retro.reversal.hands` says; what lands on starts as `retro.reversal.landing` says.
    """
    room_s = iter(falls_s.tolist())
    pitch = iter(pitches.tolist())
    for player, mirrored, moves in zip(players, written, at_start, strict=True):
        falls = [next(room_s) for _ in mirrored]
        tones = [next(pitch) for _ in mirrored]
        if player.instrument.sound is Sound.STRUCK:
            yield from struck_on_starts(player, mirrored, tones, moves, insert.bars)
            continue
        spans = stabs_on_starts(mirrored, moves, insert.length_beats)
        starts = {on for on, _ in spans}
        slowest_s: dict[Fraction, float] = {}
        for (_, off), fall in zip(spans, falls, strict=True):
            slowest_s[off] = max(fall, slowest_s.get(off, 0.0))
        for on, off in spans:
            if off in starts or not settings.compensate.moves_stops:
                yield on, off
            else:
                yield on, _early_off((on, off), slowest_s[off], insert.tempo, settings)


def _early_off(span: Span, room_s: float, tempo: TempoMap, settings: Settings) -> Fraction:
    """Shorten a note that ends before a rest by the whole units that its room takes to fall."""
    on, off = span
    unit = settings.grid_beats
    beat = -(-off // 1) - 1
    for edge in (off, on):
        if edge % unit and edge > beat:  # in a tuplet, whose units the rest takes over
            unit = Fraction(1, edge.denominator)
    unit_s = tempo.seconds_at(off) - tempo.seconds_at(off - unit)
    shortest = max(unit, tempo.beats_at(tempo.seconds_at(on) + Fraction(settings.shortest_s)) - on)
    most_units = (off - on - shortest) // unit
    return off - max(min(nearest(Fraction(room_s) / unit_s), most_units), 0) * unit


def _rolled_s(
    insert: Phrase,
    players: tuple[Player, ...],
    pitches: IntArray,
    spans: Sequence[Span],
    start_s: FloatArray,
) -> FloatArray:
    """Return how far from its beat a person strikes each note, where the page has a roll.

    Where a composer has written the signs, none is added.
    """
    offsets_s = np.zeros(start_s.shape)
    first = 0
    for part, player in zip(insert.parts, players, strict=True):
        notes = range(first, first + len(part.notes))
        first = notes.stop
        if part.signs is not None or not may_roll(player.instrument):
            continue
        rolls = find_rolls(
            [spans[note][0] for note in notes],
            [int(pitches[note]) for note in notes],
            [float(start_s[note]) for note in notes],
            insert.tempo.seconds_at,
        )
        for note, offset_s in (pair for roll in rolls for pair in roll.offsets_s()):
            offsets_s[notes[note]] = offset_s
    return offsets_s


def _paper_strokes(
    notes: _Notes,
    spans: list[Span],
    rolled_s: FloatArray,
    tempo: TempoMap,
    settings: Settings,
) -> _Strokes:
    """Play what is written, with the players' habit: they put what is perceived on the click."""
    on_s = np.array([float(tempo.seconds_at(on)) for on, _ in spans]) + rolled_s
    off_s = np.array([float(tempo.seconds_at(off)) for _, off in spans])
    start_s = on_s
    if settings.habit is Habit.SPEAK:
        start_s = on_s - rise_s(settings.onset_db, notes.people.attack_s)
        steps = _Steps(start_s.shape)
        for _ in range(MAX_TRIALS):
            found = _crossings(notes, start_s, off_s, notes.people, settings)
            late_s = np.nan_to_num(np.where(notes.has_landing, found.first_s - on_s, 0.0))
            start_s = _begun(start_s - steps.after(late_s), on_s, notes.people)
            if np.all(np.abs(late_s) < HIT_S):
                break
    return _Strokes(start_s=start_s, stop_s=off_s, is_short=np.zeros(on_s.shape, dtype=bool))


def _played_notes(
    *,
    target: Phrase,
    notes: _Notes,
    exact: _Strokes,
    paper_beats: list[Span],
    heard: _Heard,
    heard_on_paper: _Heard,
    is_controlled: BoolArray,
) -> Iterator[PlayedNote]:
    places = ((index, note) for index, part in enumerate(target.parts) for note in part.notes)
    onsets_s, landings_s = notes.on_s, notes.wanted_landing_s
    onset_s = np.where(is_controlled, heard.onset_s, np.nan)
    written_onset_s = np.where(is_controlled, heard_on_paper.onset_s, np.nan)
    for i, (part, note) in enumerate(places):
        yield PlayedNote(
            part=part,
            target=note,
            target_on_s=float(notes.on_s[i]),
            target_off_s=float(notes.off_s[i]),
            played_on_s=float(exact.start_s[i]),
            played_off_s=float(exact.stop_s[i]),
            written_on_beats=paper_beats[i][0],
            written_off_beats=paper_beats[i][1],
            attack_s=float(notes.sampler.attack_s[i]),
            decay_s=float(notes.sampler.decay_s[i]),
            written_attack_s=float(notes.people.attack_s[i]),
            written_decay_s=float(notes.people.decay_s[i]),
            audible_from_s=_known(heard.audible_from_s[i]),
            onset_s=_known(heard.onset_s[i]),
            full_s=float(heard.full_s[i]),
            lands_s=_known(heard.lands_s[i]),
            onset_error_ms=_ms(onset_s[i] - onsets_s[i]),
            landing_error_ms=_ms(heard.lands_s[i] - landings_s[i]),
            written_onset_error_ms=_ms(written_onset_s[i] - onsets_s[i]),
            written_landing_error_ms=_ms(heard_on_paper.lands_s[i] - landings_s[i]),
            is_short=bool(exact.is_short[i]),
        )


def _known(seconds: np.float64) -> float | None:
    return None if np.isnan(seconds) else float(seconds)


def _ms(seconds: np.float64) -> float | None:
    return None if np.isnan(seconds) else seconds_to_ms(float(seconds))

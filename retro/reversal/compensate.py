"""What is played so that the flipped sound begins and lands where the target does.

A player starts a tone at ``s``; it speaks at ``s + a``; it is let go at ``p`` and falls with its
room. Turned round about the window's end ``L``, its landing is heard at ``L - s - a``, it is full
from ``L - p`` and its onset is heard at ``L - p - fall(onset)``. Solving for the target ``[o, e)``
gives ``s = L - e - a`` and ``p = L - o - fall(onset)``.

Conventions
-----------
Target and heard times are window time, played and written times insert time, as in
`retro.model.performance`. Arrays have shape (notes,) in the order of (part, target note).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from retro.model.instruments import Player, Sound
from retro.model.performance import Finding, Performance, PlayedNote, Severity
from retro.model.phrase import Phrase
from retro.model.settings import Compensate, Habit, Settings
from retro.model.sound import FloatArray, damp_s, fall_s, stroke_fall_s
from retro.model.time import TempoMap
from retro.reversal.hands import struck_spans
from retro.reversal.mirror import mirror, mirror_note
from retro.reversal.quantize import Span, snap
from retro.units import nearest, seconds_to_ms

BoolArray = np.ndarray[tuple[int], np.dtype[np.bool_]]
IntArray = np.ndarray[tuple[int], np.dtype[np.int64]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Notes:
    """Every note of the target as arrays, with the figures that hold for it."""

    length_s: float
    part: IntArray
    pitch: IntArray
    on_s: FloatArray
    off_s: FloatArray
    attack_s: FloatArray
    decay_s: FloatArray
    damper_s: FloatArray
    is_struck: BoolArray
    is_damped: BoolArray
    lands_at_start: BoolArray

    @property
    def wanted_landing_s(self) -> FloatArray:
        return np.where(self.lands_at_start, self.on_s, self.off_s)

    @property
    def is_shapeable(self) -> BoolArray:
        """Whether the player's stop shapes the heard onset."""
        return ~self.is_struck | (self.is_damped & ~self.lands_at_start)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Strokes:
    """Start and stop of every note, on insert time in seconds."""

    start_s: FloatArray
    stop_s: FloatArray
    is_short: BoolArray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Heard:
    """What the listener hears of every note, on window time in seconds."""

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
    insert = mirror(target)
    written = _written_spans(target, insert, settings)
    if settings.compensate is Compensate.NONE:
        players = tuple(replace(player, lands_at_start=False) for player in players)
    players, findings = _without_impossible_landings(target, players, written)
    notes = _gather(target, players)
    exact = _exact_strokes(notes, settings)
    falls_s = fall_s(settings.onset_db, notes.decay_s, settings.room)
    paper_beats = list(
        _paper_spans(
            players,
            written,
            pitches=notes.pitch,
            falls_s=falls_s,
            tempo=insert.tempo,
            settings=settings,
        )
    )
    paper = _paper_strokes(notes, paper_beats, insert.tempo, settings)
    played = _played_notes(
        target=target,
        notes=notes,
        exact=exact,
        paper_beats=paper_beats,
        heard=_heard(notes, exact, settings),
        heard_on_paper=_heard(notes, paper, settings),
        is_controlled=_controls_onset(notes, settings),
    )
    return Performance(
        target=target,
        insert=insert,
        players=players,
        settings=settings,
        notes=tuple(played),
        findings=findings,
    )


def _gather(target: Phrase, players: tuple[Player, ...]) -> _Notes:
    pairs = [
        (note, player)
        for part, player in zip(target.parts, players, strict=True)
        for note in part.notes
    ]
    seconds_at = target.tempo.seconds_at
    struck = [player.instrument.sound is Sound.STRUCK for _, player in pairs]
    damped = [player.instrument.damper_s is not None for _, player in pairs]
    return _Notes(
        length_s=float(target.length_s),
        part=np.array([i for i, part in enumerate(target.parts) for _ in part.notes], dtype=int),
        pitch=np.array([note.pitch for note, _ in pairs], dtype=int),
        on_s=np.array([float(seconds_at(note.on_beats)) for note, _ in pairs]),
        off_s=np.array([float(seconds_at(note.off_beats)) for note, _ in pairs]),
        attack_s=np.array([player.attack_s(note.pitch, note.velocity) for note, player in pairs]),
        decay_s=np.array([player.decay_s(note.pitch) for note, player in pairs]),
        damper_s=np.array([player.instrument.damper_s or 1.0 for _, player in pairs]),
        is_struck=np.array(struck, dtype=bool),
        is_damped=np.array(damped, dtype=bool) & np.array(struck, dtype=bool),
        lands_at_start=np.array([player.lands_at_start for _, player in pairs], dtype=bool),
    )


def _exact_strokes(notes: _Notes, settings: Settings) -> _Strokes:
    """Solve for start and stop of every note."""
    start_s = notes.length_s - notes.wanted_landing_s
    if settings.compensate.moves_starts:
        start_s = start_s - notes.attack_s
    speaks_s = start_s + notes.attack_s
    target_length_s = notes.off_s - notes.on_s
    plain_stop_s = np.where(
        notes.lands_at_start, speaks_s + target_length_s, notes.length_s - notes.on_s
    )
    if not settings.compensate.moves_stops:
        if settings.compensate.moves_starts:
            plain_stop_s = np.minimum(plain_stop_s, _next_start_s(notes, start_s))
        return _Strokes(
            start_s=start_s, stop_s=plain_stop_s, is_short=np.zeros(start_s.shape, dtype=bool)
        )
    stop_s = np.where(
        notes.is_struck,
        plain_stop_s,
        plain_stop_s - fall_s(settings.onset_db, notes.decay_s, settings.room),
    )
    stop_s = np.where(
        notes.is_struck & notes.is_shapeable,
        speaks_s
        + damp_s(settings.onset_db, target_length_s, notes.decay_s, notes.damper_s, settings.room),
        stop_s,
    )
    shortest_s = speaks_s + np.minimum(settings.shortest_s, target_length_s)
    is_short = (stop_s < shortest_s) & notes.is_shapeable
    stop_s = np.where(is_short, shortest_s, stop_s)
    stop_s = np.minimum(stop_s, _next_start_s(notes, start_s))
    return _Strokes(start_s=start_s, stop_s=stop_s, is_short=is_short)


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


def _heard(notes: _Notes, strokes: _Strokes, settings: Settings) -> _Heard:
    """Turn a performance round: what the listener hears of it."""
    speaks_s = strokes.start_s + notes.attack_s
    lands_s = notes.length_s - speaks_s
    let_go_s = np.maximum(strokes.stop_s, speaks_s)
    damped_at_s = np.where(notes.is_damped, let_go_s - speaks_s, np.inf)
    full_s = np.where(notes.is_struck, lands_s, notes.length_s - let_go_s)

    def swell_s(drop_db: float) -> FloatArray:
        sustained = fall_s(drop_db, notes.decay_s, settings.room)
        struck = stroke_fall_s(drop_db, notes.decay_s, damped_at_s, notes.damper_s, settings.room)
        return np.where(notes.is_struck, struck, sustained)

    return _Heard(
        audible_from_s=full_s - swell_s(settings.audible_db),
        onset_s=full_s - swell_s(settings.onset_db),
        full_s=full_s,
        lands_s=lands_s,
    )


def _controls_onset(notes: _Notes, settings: Settings) -> BoolArray:
    """Whether the player can put the heard onset on its beat.

    A struck tone that has fallen below the threshold by itself before the stop cannot.
    """
    target_length_s = notes.off_s - notes.on_s
    falls_alone_s = stroke_fall_s(
        settings.onset_db,
        notes.decay_s,
        np.full(notes.on_s.shape, np.inf),
        notes.damper_s,
        settings.room,
    )
    return notes.is_shapeable & (~notes.is_struck | (falls_alone_s >= target_length_s))


def _written_spans(target: Phrase, insert: Phrase, settings: Settings) -> list[list[Span]]:
    """Give the snapped spans of the insert in the order of the target's notes."""
    snapped = snap(
        insert,
        grid_beats=settings.grid_beats,
        straighten_swing=settings.straighten_swing,
    )
    ordered = []
    for part, spans in zip(target.parts, snapped, strict=True):
        mirrored = [mirror_note(note, target.length_beats) for note in part.notes]
        places = sorted(range(len(mirrored)), key=mirrored.__getitem__)
        by_target: list[Span] = [(Fraction(0), Fraction(0))] * len(places)
        for place, span in zip(places, spans, strict=True):
            by_target[place] = span
        ordered.append(by_target)
    return ordered


def _without_impossible_landings(
    target: Phrase, players: tuple[Player, ...], written: list[list[Span]]
) -> tuple[tuple[Player, ...], tuple[Finding, ...]]:
    """Let a part land on its ends where a landing on a start would lie outside the insert."""
    kept: list[Player] = []
    findings: list[Finding] = []
    for player, spans in zip(players, written, strict=True):
        if player.lands_at_start and any(off >= target.length_beats for _, off in spans):
            findings.append(
                Finding(
                    severity=Severity.WARN,
                    kind="landing",
                    player=player.name,
                    what="a note begins with the window, so a swell that lands on its start would "
                    "lie outside the insert; the part lands on the ends of its notes instead",
                    advice="begin the window earlier, or set landing = 'end' for this part",
                )
            )
            kept.append(replace(player, lands_at_start=False))
        else:
            kept.append(player)
    return tuple(kept), tuple(findings)


def _paper_spans(
    players: tuple[Player, ...],
    written: list[list[Span]],
    *,
    pitches: IntArray,
    falls_s: FloatArray,
    tempo: TempoMap,
    settings: Settings,
) -> Iterator[Span]:
    """Give what is written for each note: whole grid units only.

    Notes of a part that end together are let go together, by the slowest fall among them; struck
    tones as `retro.reversal.hands` says.
    """
    room_s = iter(falls_s.tolist())
    pitch = iter(pitches.tolist())
    for player, spans in zip(players, written, strict=True):
        falls = [next(room_s) for _ in spans]
        tones = [next(pitch) for _ in spans]
        if player.instrument.sound is Sound.STRUCK:
            yield from _struck_paper_spans(player, spans, tones, tempo)
            continue
        starts = {on for on, _ in spans}
        slowest_s: dict[Fraction, float] = {}
        for (_, off), fall in zip(spans, falls, strict=True):
            slowest_s[off] = max(fall, slowest_s.get(off, 0.0))
        for on, off in spans:
            if off in starts or not settings.compensate.moves_stops:
                yield on, off
            else:
                yield on, _early_off((on, off), slowest_s[off], tempo, settings)


def _struck_paper_spans(
    player: Player, spans: Sequence[Span], pitches: Sequence[int], tempo: TempoMap
) -> tuple[Span, ...]:
    hands = player.instrument.staves
    if player.lands_at_start:
        struck = [_behind(span, tempo) for span in spans]
        return struck_spans(struck, pitches, hands=hands, rhythms=1)
    return struck_spans(spans, pitches, hands=hands)


def _behind(span: Span, tempo: TempoMap) -> Span:
    """Give the span of a note that is to land on its target's start."""
    on, off = span
    return off, min(off + (off - on), tempo.length_beats)


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


def _paper_strokes(
    notes: _Notes, spans: list[Span], tempo: TempoMap, settings: Settings
) -> _Strokes:
    """Play what is written, with the players' habit."""
    on_s = np.array([float(tempo.seconds_at(on)) for on, _ in spans])
    off_s = np.array([float(tempo.seconds_at(off)) for _, off in spans])
    start_s = on_s - notes.attack_s if settings.habit is Habit.SPEAK else on_s
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
    wanted_landing_s = notes.wanted_landing_s
    for i, (part, note) in enumerate(places):
        on_s, landing_s = float(notes.on_s[i]), float(wanted_landing_s[i])
        yield PlayedNote(
            part=part,
            target=note,
            target_on_s=on_s,
            target_off_s=float(notes.off_s[i]),
            played_on_s=float(exact.start_s[i]),
            played_off_s=float(exact.stop_s[i]),
            written_on_beats=paper_beats[i][0],
            written_off_beats=paper_beats[i][1],
            attack_s=float(notes.attack_s[i]),
            decay_s=float(notes.decay_s[i]),
            audible_from_s=float(heard.audible_from_s[i]),
            onset_s=float(heard.onset_s[i]),
            full_s=float(heard.full_s[i]),
            lands_s=float(heard.lands_s[i]),
            onset_error_ms=_ms(heard.onset_s[i] - on_s) if is_controlled[i] else None,
            landing_error_ms=_ms(heard.lands_s[i] - landing_s),
            written_onset_error_ms=(
                _ms(heard_on_paper.onset_s[i] - on_s) if is_controlled[i] else None
            ),
            written_landing_error_ms=_ms(heard_on_paper.lands_s[i] - landing_s),
            is_short=bool(exact.is_short[i]),
        )


def _ms(seconds: np.float64) -> float:
    return seconds_to_ms(float(seconds))

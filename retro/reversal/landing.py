"""Tones that land on the start of their target note, and what is written for them.

A drum or a cymbal has no stop: its note-off in a file means nothing, and its stroke lands on its
note-on. Tones that ring by pitch, and stabs of players who sustain, land there where the settings
say so; a stab is as long as the target's and stops, turned round, on the target's beat.

A note that begins with the window would land on its start at the very end of the insert, where
nothing can be written: that note alone lands on its end.

Conventions
-----------
A span is (on, off) in quarter notes of insert time, per part in the order of the target's notes.
"""

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction

from retro.model.findings import FindingKind
from retro.model.instruments import Player, Sound
from retro.model.performance import Finding, Severity
from retro.model.phrase import Note, Part, Phrase
from retro.model.time import Bar, Span, pulses
from retro.reversal.hands import struck_spans


def is_drum(player: Player) -> bool:
    """Return whether a player strikes what has no pitch, so that no note-off means anything."""
    return player.instrument.is_unpitched and player.instrument.sound is Sound.STRUCK


def apart_at_the_start(target: Phrase, players: Sequence[Player]) -> Phrase:
    """Return a target in which two strokes of a drum at the window's start stay two.

    The first of them lands on its end, where the second may lie: it ends half-way then.
    """
    parts = (
        _apart(part) if player.lands_at_start and is_drum(player) else part
        for part, player in zip(target.parts, players, strict=True)
    )
    return replace(target, parts=tuple(parts))


def _apart(part: Part) -> Part:
    onsets: dict[int, list[Fraction]] = {}
    for note in part.notes:
        onsets.setdefault(note.pitch, []).append(note.on_beats)
    notes = [_half_way(note, onsets[note.pitch]) for note in part.notes]
    return replace(part, notes=tuple(notes))


def _half_way(note: Note, onsets: Sequence[Fraction]) -> Note:
    place = bisect_right(onsets, note.on_beats)
    if note.on_beats > 0 or place == len(onsets) or onsets[place] > note.off_beats:
        return note
    return replace(note, off_beats=(note.on_beats + onsets[place]) / 2)


def on_starts(
    players: Sequence[Player], written: Sequence[Sequence[Span]], length_beats: Fraction
) -> tuple[list[list[bool]], tuple[Finding, ...]]:
    """Return which notes land on their starts, and who has notes that cannot.

    `written` are the mirrored spans, `length_beats` the length of the insert.
    """
    landing = [
        [player.lands_at_start and off < length_beats for _, off in spans]
        for player, spans in zip(players, written, strict=True)
    ]
    findings = [
        _finding(player, landing[index].count(False), len(landing[index]))
        for index, player in enumerate(players)
        if player.lands_at_start and not all(landing[index])
    ]
    return landing, tuple(findings)


def _finding(player: Player, count: int, of: int) -> Finding:
    begin, their, they_land, ends = (
        ("begins", "its", "it lands", "its end")
        if count == 1
        else ("begin", "their", "they land", "their ends")
    )
    return Finding(
        severity=Severity.WARN,
        kind=FindingKind.LANDING,
        player=player.name,
        what=f"{count} of {of} notes {begin} with the window, where a landing on {their} start "
        f"would lie outside the insert; {they_land} on {ends} instead",
        advice="begin the window a beat earlier",
    )


def struck_on_starts(
    player: Player,
    spans: Sequence[Span],
    pitches: Sequence[int],
    at_start: Sequence[bool],
    bars: Sequence[Bar],
) -> tuple[Span, ...]:
    """Return what is written for struck tones of which some land on their starts."""
    if not any(at_start):
        return struck_spans(spans, pitches, hands=player.instrument.staves)
    end = bars[-1].end_beats
    moved = [
        _behind(span, end) if moves else span for span, moves in zip(spans, at_start, strict=True)
    ]
    if is_drum(player):
        return _to_the_next(moved, bars)
    return struck_spans(moved, pitches, hands=player.instrument.staves, rhythms=1)


def stabs_on_starts(spans: Sequence[Span], at_start: Sequence[bool], end: Fraction) -> list[Span]:
    """Return what is written for sustained tones of which some land on their starts.

    None of those lasts beyond the next beginning of its part.
    """
    moved = [
        _behind(span, end) if moves else span for span, moves in zip(spans, at_start, strict=True)
    ]
    starts = sorted({on for on, _ in moved})
    ends = [
        min([off, *starts[bisect_right(starts, on) :][:1]]) if moves else off
        for (on, off), moves in zip(moved, at_start, strict=True)
    ]
    return [(on, off) for (on, _), off in zip(moved, ends, strict=True)]


def _behind(span: Span, end: Fraction) -> Span:
    """Return the span of a note that is to land on its target's start."""
    on, off = span
    return off, min(off + (off - on), end)


def _to_the_next(spans: Sequence[Span], bars: Sequence[Bar]) -> tuple[Span, ...]:
    """Return strokes written up to the next stroke, or the next beat: a drum has no lengths."""
    stops = _places(bars) | {on for on, _ in spans}
    ordered = sorted(stops)
    return tuple((on, ordered[bisect_right(ordered, on)]) for on, _ in spans)


def _places(bars: Sequence[Bar]) -> set[Fraction]:
    beats: Iterable[Fraction] = (at for at, _ in pulses(bars))
    return {*beats, bars[-1].end_beats}

"""What the listener hears of the flipped take beside what is wanted.

Notes too short for their room, swells of the next harmony over this one, the swell over the bars
before the window, and what the written grid cannot say.

Conventions
-----------
Heard times are window time. A place in the insert is where the note is played.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np

from retro.model.findings import FindingKind
from retro.model.instruments import Sound
from retro.model.performance import Performance, PlayedNote, Severity, Window
from retro.model.phrase import Phrase
from retro.model.time import locate, printed_place
from retro.placement.compare import written_shift_ms
from retro.playability.desk import Desk, WrittenNote
from retro.playability.judge import Judgement
from retro.units import ms_to_seconds, pitch_name

EARLY_MS = 20.0
"""Below this nobody hears which of two onsets came first (Hirsh 1959, S)."""

MUCH_TOO_EARLY_MS = 100.0
"""A sixteenth at 150 quarters a minute; our own choice."""

OFF_GRID_MS = 50.0
"""What an ensemble's own spread (30 to 50 ms: Rasch 1979, S) no longer covers."""

BLEED_DB = 20.0
"""A swell this far below its full level is loud enough to clash; our own choice."""

MIN_BLEED_S = 0.35
"""Shorter clashes pass as an appoggiatura; our own choice."""

MAX_BLEEDING_BARS = 3

MAX_CLASH_SEMITONES = 25
"""Semitones beyond which two notes hardly clash: two octaves and a semitone; our own choice."""

NOTHING_S = 1e-6

HARSH = (1, 11)
"""Semitones within the octave that clash: a semitone, a major seventh, a minor ninth."""

IS_HARSH = np.isin(np.arange(12), HARSH)
"""The same as a table."""

TREMBLING_S = 0.13
"""Strokes on one pitch that follow so soon are heard as one tone: 8 a second (common practice)."""

LONG_PRE_SWELL_S = 2.0
MIN_BEND_SEMITONES = 0.5
"""Less than this is vibrato, or a bow that speaks (our own choice)."""

MIN_PRE_SWELL_S = 0.05
MAX_FIRST_NAMED = 3


def all_of(
    performance: Performance, desks: Sequence[Desk], window: Window, song: Phrase
) -> Iterator[Judgement]:
    """Judge everything that this module knows."""
    shift_ms = written_shift_ms(performance)
    for desk in desks:
        yield from bent(desk)
        yield from too_short(desk)
        yield from off_grid(desk, shift_ms)
    yield from bleeding(performance, window, song)
    yield from pre_swell(performance, window, song)


def bent(desk: Desk) -> Iterator[Judgement]:
    """Judge notes that bend: of scoops and falls, only slides to the next note have a sign here."""
    part = desk.performance.target.parts[desk.part]
    if part.bend is None:
        return
    bends = []
    for read in desk.written_notes:
        values = part.bend.cut(read.note.target.on_beats, read.note.target.off_beats).values
        bends.append((float((max(values) - min(values)) * part.bend_range_semitones / 8192), read))
    found = [(semitones, read) for semitones, read in bends if semitones >= MIN_BEND_SEMITONES]
    if not found:
        return
    most, first = max(semitones for semitones, _ in found), min(r.on_beats for _, r in found)
    one = len(found) == 1
    yield Judgement(
        severity=Severity.NOTE,
        kind=FindingKind.BEND,
        player=desk.player.name,
        at_beats=first,
        what=f"{len(found)} note{'' if one else 's'} bend{'s' if one else ''} by up to "
        f"{most:.1f} semitones; on paper stand slides to the next note only",
        advice="write scoops and falls into the part by hand, a scoop as a fall, or take the "
        "bend out",
        weight=most,
    )


def too_short(desk: Desk) -> Iterator[Judgement]:
    """Judge the notes that their room cannot let begin in time."""
    trembling = _trembling(desk)
    early = [
        (-note.onset_error_ms, read)
        for read in desk.measured
        if (note := read.note).is_short
        and note.onset_error_ms is not None
        and read.index not in trembling
    ]
    heard = [(ms, read) for ms, read in early if ms > EARLY_MS]
    if not heard:
        return
    worst_ms, read = max(heard, key=lambda pair: pair[0])
    length_s = read.note.target_off_s - read.note.target_on_s
    yield Judgement(
        severity=Severity.WARN if worst_ms > MUCH_TOO_EARLY_MS else Severity.NOTE,
        kind=FindingKind.SHORT,
        player=desk.player.name,
        at_beats=read.on_beats,
        what=f"{_of(len(heard), desk)} too short for the room; the worst, {pitch_name(read.pitch)} "
        f"of {length_s:.2f} s, begins {worst_ms:.0f} ms early when turned round",
        advice="make them longer in the target, play them in a drier room, "
        + (
            'use closer microphones, or let them land on their starts ([[part]] landing = "start")'
            if desk.player.instrument.sound is Sound.STRUCK and not desk.player.lands_at_start
            else "or use closer microphones"
        ),
        weight=worst_ms,
    )


def _trembling(desk: Desk) -> set[int]:
    """Return the strokes of rolls and tremolos: nobody hears each of them begin."""
    by_pitch: dict[int, list[WrittenNote]] = defaultdict(list)
    for read in desk.written_notes:
        by_pitch[read.pitch].append(read)
    return {
        read.index
        for reads in by_pitch.values()
        for pair in pairwise(reads)
        if pair[1].on_s - pair[0].on_s <= TREMBLING_S
        for read in pair
    }


def off_grid(desk: Desk, shift_ms: float) -> Iterator[Judgement]:
    """Judge landings, and beginnings after a rest, that the paper puts elsewhere."""
    starts = {read.on_beats for read in desk.counted}
    landings = [
        (ms + shift_ms, read)
        for read in desk.measured
        if (ms := read.note.written_landing_error_ms) is not None
    ]
    onsets = [
        (note.written_onset_error_ms + shift_ms, read)
        for read in desk.measured
        if (note := read.note).written_onset_error_ms is not None
        and note.written_off_beats not in starts
        and not note.is_short
    ]
    for verb, errors in (("lands", landings), ("begins", onsets)):
        heard = [(ms, read) for ms, read in errors if abs(ms) > OFF_GRID_MS]
        if heard:
            yield _off_grid(desk, verb, heard)


def _off_grid(desk: Desk, verb: str, heard: Sequence[tuple[float, WrittenNote]]) -> Judgement:
    worst_ms, read = max(heard, key=lambda pair: abs(pair[0]))
    return Judgement(
        severity=Severity.NOTE,
        kind=FindingKind.GRID,
        player=desk.player.name,
        at_beats=read.on_beats,
        what=f"as written, {_of(len(heard), desk)} off by more than {OFF_GRID_MS:.0f} ms; the "
        f"worst, {pitch_name(read.pitch)}, {verb} {abs(worst_ms):.0f} ms "
        f"{'late' if worst_ms > 0 else 'early'} after the clip's shift",
        advice="set a finer grid_beats, or move the target's notes to the grid",
        weight=abs(worst_ms),
    )


def _of(count: int, desk: Desk) -> str:
    return f"{count} of {len(desk.written_notes)} notes {'is' if count == 1 else 'are'}"


@dataclass(frozen=True, slots=True)
class _Clash:
    """A swell of `later` that sounds for `length_s` while `earlier` is wanted."""

    earlier: PlayedNote
    later: PlayedNote
    length_s: float


def bleeding(performance: Performance, window: Window, song: Phrase) -> Iterator[Judgement]:
    """Judge swells of a coming harmony that clash with the one before it; the worst bars only."""
    by_bar: dict[int, list[_Clash]] = defaultdict(list)
    for clash in _clashes(performance):
        by_bar[locate(performance.target.bars, clash.later.target.on_beats).bar].append(clash)
    worst = sorted(by_bar.items(), key=lambda item: (-_total_s(item[1]), item[0]))
    for _, clashes in worst[:MAX_BLEEDING_BARS]:
        clash = max(clashes, key=lambda c: c.length_s)
        at = printed_place(song.bars, window.start_beats + clash.later.target.on_beats)
        names = [performance.players[n.part].name for n in (clash.later, clash.earlier)]
        pair = [pitch_name(n.target.pitch) for n in (clash.later, clash.earlier)]
        others = len(clashes) - 1
        yield Judgement(
            severity=Severity.NOTE,
            kind=FindingKind.BLEED,
            at_beats=clash.later.written_off_beats,
            what=f"the swell into song {at} clashes for "
            f"{clash.length_s:.2f} s with what is still wanted: {pair[0]} ({names[0]}) against "
            f"{pair[1]} ({names[1]})" + (f", and {others} more such pairs" if others else ""),
            advice="welcome it as colour, or leave a rest before that beat in the target, or play "
            "the bars in two takes",
            weight=_total_s(clashes),
        )


def _total_s(clashes: Sequence[_Clash]) -> float:
    return sum(clash.length_s for clash in clashes)


def _clashes(performance: Performance) -> Iterator[_Clash]:
    notes = sorted(performance.notes, key=lambda note: note.target_off_s)
    on_s = np.array([note.target_on_s for note in notes])
    off_s = np.array([note.target_off_s for note in notes])
    pitch = np.array([note.target.pitch for note in notes])
    settings = performance.settings
    share = (BLEED_DB - settings.onset_db) / (settings.audible_db - settings.onset_db)
    for later in performance.notes:
        if performance.players[later.part].lands_at_start:
            continue
        if later.onset_s is None or later.audible_from_s is None:
            continue
        loud_from_s = later.onset_s - share * (later.onset_s - later.audible_from_s)
        first, last = np.searchsorted(off_s, (loud_from_s, later.target_on_s + NOTHING_S), "right")
        before = slice(first, last)
        apart = np.abs(pitch[before] - later.target.pitch)
        length_s = off_s[before] - np.maximum(on_s[before], loud_from_s)
        is_harsh = (apart <= MAX_CLASH_SEMITONES) & IS_HARSH[apart % 12]
        for index in np.flatnonzero(is_harsh & (length_s > MIN_BLEED_S)):
            yield _Clash(notes[first + index], later, float(length_s[index]))


def pre_swell(performance: Performance, window: Window, song: Phrase) -> Iterator[Judgement]:
    """Say from which bar of the song on the placed clip is heard before its window."""
    late_s = performance.settings.lateness_s or 0.0
    shift_s = ms_to_seconds(written_shift_ms(performance)) + late_s
    heard_s = [n.audible_from_s for n in performance.notes if n.audible_from_s is not None]
    lead_s = -min(heard_s, default=0.0) - shift_s
    if lead_s < MIN_PRE_SWELL_S:
        return
    start_s = float(window.start_s) - lead_s
    names = ", ".join(_first_heard(performance))
    if start_s < 0.0:
        where = f"{-start_s:.2f} s before the song's first bar"
        advice = "let the song begin later, or fade the clip in at its start"
    else:
        at = printed_place(song.bars, song.tempo.beats_at(Fraction(start_s)))
        where = f"from song {at} on"
        advice = "leave room for it in those bars, or fade the clip in"
    yield Judgement(
        severity=Severity.WARN if lead_s > LONG_PRE_SWELL_S else Severity.NOTE,
        kind=FindingKind.PRE_SWELL,
        what=f"the flipped sound is audible {where}, {lead_s:.2f} s before {window.start_words}: "
        f"first {names}",
        advice=advice,
    )


def _first_heard(performance: Performance) -> list[str]:
    earliest: dict[int, float] = {}
    for note in performance.notes:
        if note.audible_from_s is not None:
            earliest[note.part] = min(note.audible_from_s, earliest.get(note.part, 0.0))
    parts = sorted((from_s, part) for part, from_s in earliest.items() if from_s < 0.0)
    return [f"{performance.players[part].name} by {-from_s:.2f} s" for from_s, part in parts][
        :MAX_FIRST_NAMED
    ]

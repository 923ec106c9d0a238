"""What one player at a time can play: range, breath, leaps, speed, the cold first entry.

Conventions
-----------
Bars, beats and pitches are those that the player reads. Figures are common practice, from memory,
unless a source stands beside them: they are for a middle player, and a soloist may know better.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from itertools import pairwise

from retro.model.findings import FindingKind
from retro.model.instruments import Family, Instrument, Sound
from retro.model.performance import Severity
from retro.model.time import locate
from retro.model.wording import listed
from retro.notation.breaths import Stretch, plan_breaths
from retro.playability.desk import Desk, WrittenNote, read_as
from retro.playability.judge import Judgement
from retro.playability.suggest import instead, taker
from retro.units import pitch_name

BEYOND_TOP = 2
"""Semitones over the table's highest note that some players have."""

FAR_OVER_BREATH = 1.5
"""Breaths that nobody can do in one."""

MAX_PLACES_TOLD = 6

LEAP_PAUSE_S = 0.3
"""A rest as long as this lets any leap be prepared."""

COLD_HEIGHT, COLD_VELOCITY, COLD_COMPANY = 0.7, 52.0, 2
"""High from this share of the range on; soft to this velocity; exposed with so few others."""

COLD_FAMILIES = (Family.WOODWIND, Family.BRASS, Family.VOICE)


@dataclass(frozen=True, slots=True)
class Agility:
    """How fast a player repeats one pitch and changes notes, and the widest leap without time."""

    repeats_per_s: float
    notes_per_s: float
    leap_semitones: int


AGILITY = {
    Family.WOODWIND: Agility(8.0, 14.0, 19),
    Family.BRASS: Agility(9.0, 11.0, 12),
    Family.PERCUSSION: Agility(14.0, 14.0, 127),
    Family.PLUCKED: Agility(5.0, 12.0, 127),
    Family.KEYBOARD: Agility(10.0, 16.0, 127),
    Family.VOICE: Agility(6.0, 8.0, 10),
    Family.STRINGS: Agility(12.0, 14.0, 24),
    Family.NEUTRAL: Agility(20.0, 20.0, 127),
}
"""By family. Flutes and brass that tongue double go beyond (a tuba about 9 to 10 a second single
and 12 double: contemporarytuba.com, "Tonguing")."""

PIZZICATO = Agility(5.0, 8.0, 127)

RUNS_PER_S = {
    Family.WOODWIND: 16.0,
    Family.PERCUSSION: 18.0,
    Family.PLUCKED: 12.0,
    Family.KEYBOARD: 20.0,
    Family.STRINGS: 18.0,
}
"""Notes a second of a run in one breath, bow or sweep of fingers: scales go faster than figures."""

DOUBLE_TONGUED_PER_S = 12.0
DOUBLE_TONGUERS = ("flute", "piccolo", "trumpet", "cornet", "horn", "trombone", "tuba")

RUN = 3
"""Strokes in a row that make a speed; one quick pair is a grace note."""


def range_of(desk: Desk, desks: Sequence[Desk]) -> Iterator[Judgement]:
    """Judge every note that the instrument has not."""
    instrument = desk.player.instrument
    for read in desk.written_notes:
        under, over = instrument.low - read.pitch, read.pitch - instrument.high
        if under <= 0 and over <= 0:
            continue
        limit = instrument.low if under > 0 else instrument.high
        side = "lowest" if under > 0 else "highest"
        yield Judgement(
            severity=Severity.WARN if 0 < over <= BEYOND_TOP else Severity.STOP,
            kind=FindingKind.RANGE,
            player=desk.player.name,
            at_beats=read.on_beats,
            what=f"{_both(desk, read.pitch)} is {'below' if under > 0 else 'above'} the {side} "
            f"note, {_both(desk, limit)}",
            advice=partial(instead, desks, desk),
            written_notes=(read,),
            weight=float(max(under, over)),
        )


def breath(desk: Desk, desks: Sequence[Desk]) -> Iterator[Judgement]:
    """Judge every stretch without a rest that is longer than a breath."""
    breath_s = desk.player.instrument.breath_s
    if breath_s is None or desk.player.instrument.section:
        return
    by_start = {read.index: read for read in desk.written_notes}
    longest: dict[Fraction, Judgement] = {}
    planned = plan_breaths(desk.performance, desk.part, desk.dealt)
    for stretch in (stretch for line in planned for stretch in line if stretch.is_long):
        run = [by_start[chord.notes[0]] for chord in stretch.chords]
        before = longest.get(stretch.start_beats)
        over = stretch.length_s / stretch.limit_s
        if before is None or before.weight < over:
            longest[stretch.start_beats] = Judgement(
                severity=_over_breath(_longest_tone_s(run) / stretch.limit_s, stretch),
                kind=FindingKind.BREATH,
                player=desk.player.name,
                at_beats=stretch.start_beats,
                what=f"{stretch.length_s:.1f} s without a rest; one breath lasts about "
                f"{stretch.limit_s:.0f} s at this dynamic",
                advice=partial(_catch_breath, desk, desks, stretch),
                written_notes=(run[len(run) // 2],),
                weight=over,
            )
    yield from longest.values()


def _longest_tone_s(run: Sequence[WrittenNote]) -> float:
    """Between two tones a player can catch a breath; inside one nobody can."""
    return max(read.off_s - read.on_s for read in run)


def _over_breath(over: float, stretch: Stretch) -> Severity:
    if stretch.turns:
        return Severity.NOTE
    return Severity.STOP if over > FAR_OVER_BREATH else Severity.WARN


def _catch_breath(
    desk: Desk, desks: Sequence[Desk], stretch: Stretch, middles: Sequence[WrittenNote]
) -> str:
    """Return how to get through; `middles` are the notes half-way, where somebody may take over."""
    if stretch.turns:
        turns = [f"{number} at {_where(desk, at)}" for number, at in stretch.turns]
        return f"stagger breathing, as the part has it: {listed(turns, MAX_PLACES_TOLD)}"
    other = taker(desks, desk, middles, own_family=True)
    relief = f", or let {other} take over for some notes" if other else ""
    if stretch.commas:
        commas = listed([_where(desk, at) for at in stretch.commas], MAX_PLACES_TOLD)
        return (
            f"breathe at the commas of the part, {commas} (turned round each is a late "
            f"beginning), or add a second player and let them breathe in turns{relief}"
        )
    return (
        "add a second player and let them breathe in turns, or end a note early for a breath "
        f"(turned round it is a late beginning){relief}"
    )


def _where(desk: Desk, at: Fraction) -> str:
    return str(locate(desk.performance.insert.bars, at))


def leaps(desk: Desk) -> Iterator[Judgement]:
    """Judge leaps that leave no time."""
    instrument = desk.player.instrument
    widest = _agility(instrument).leap_semitones
    if instrument.sound is Sound.STRUCK:
        return
    for line in desk.lines:
        for first, second in pairwise(line):
            leap = abs(second.pitch - first.pitch)
            if leap > widest and second.on_s - first.off_s < LEAP_PAUSE_S:
                yield Judgement(
                    severity=Severity.WARN,
                    kind=FindingKind.LEAP,
                    player=desk.player.name,
                    at_beats=second.on_beats,
                    what=f"leaps {leap} semitones without a rest, from "
                    f"{_written(desk, first.pitch)} to {_written(desk, second.pitch)} as written",
                    advice="put one of the two in the other's octave, or end the first early",
                    weight=float(leap),
                )


def speed(desk: Desk) -> Iterator[Judgement]:
    """Judge notes that follow faster than bow, tongue or hand go."""
    agility = _agility(desk.player.instrument)
    for line in _strands(desk):
        worst: dict[bool, Judgement] = {}
        for run in zip(*(line[i:] for i in range(RUN + 1)), strict=False):
            is_repeated = len({read.pitch for read in run}) == 1
            limit = agility.repeats_per_s if is_repeated else agility.notes_per_s
            if _is_run(desk, run):
                limit = RUNS_PER_S.get(desk.player.instrument.family, limit)
            per_s = RUN / max(run[-1].on_s - run[0].on_s, 1e-3)
            if per_s > limit and (is_repeated not in worst or per_s > worst[is_repeated].weight):
                worst[is_repeated] = _too_fast(desk, run[0], per_s, limit, is_repeated)
        yield from worst.values()


def _is_run(desk: Desk, reads: Sequence[WrittenNote]) -> bool:
    """Whether strokes belong to one run or glissando."""
    figures = {id(desk.figures.get(read.index)) for read in reads}
    return len(figures) == 1 and reads[0].index in desk.figures


def _too_fast(
    desk: Desk, read: WrittenNote, per_s: float, limit: float, is_repeated: bool
) -> Judgement:
    doing = "repeats one note" if is_repeated else "changes notes"
    return Judgement(
        severity=Severity.WARN,
        kind=FindingKind.SPEED,
        player=desk.player.name,
        at_beats=read.on_beats,
        what=f"{doing} {per_s:.0f} times a second; about {limit:.0f} can be played",
        advice="deal the notes out to two players in turns, or leave out every other one",
        weight=per_s,
    )


def _strands(desk: Desk) -> list[tuple[WrittenNote, ...]]:
    """Return what follows on one another: lines; for hands and sticks the tops of strokes."""
    if desk.player.instrument.sound is Sound.SUSTAINED:
        return list(desk.lines)
    return [tuple(chord[-1] for chord in desk.chords)]


def _agility(instrument: Instrument) -> Agility:
    if instrument.family is Family.STRINGS and instrument.sound is Sound.STRUCK:
        return PIZZICATO
    agility = AGILITY[instrument.family]
    if any(name in instrument.id for name in DOUBLE_TONGUERS):
        return Agility(DOUBLE_TONGUED_PER_S, agility.notes_per_s, agility.leap_semitones)
    return agility


def cold_entry(desk: Desk, desks: Sequence[Desk]) -> Iterator[Judgement]:
    """Judge the first note of the insert: the target's last, played without a run-up."""
    instrument = desk.player.instrument
    if instrument.family not in COLD_FAMILIES:
        return
    first = desk.chords[0][-1]
    height = (first.pitch - instrument.low) / max(instrument.high - instrument.low, 1)
    company = sum(bool(other.sounding(first.on_beats)) for other in desks if other is not desk)
    is_soft, is_exposed = first.loudness <= COLD_VELOCITY, company <= COLD_COMPANY
    if height < COLD_HEIGHT or not (is_soft or is_exposed):
        return
    how = " and ".join([*["soft"] * is_soft, *["exposed"] * is_exposed])
    other = taker(desks, desk, [first], own_family=True)
    yield Judgement(
        severity=Severity.WARN if is_soft and is_exposed else Severity.NOTE,
        kind=FindingKind.COLD_ENTRY,
        player=desk.player.name,
        at_beats=first.on_beats,
        what=f"the first note played is high, {how}: {_both(desk, first.pitch)}",
        advice="let the player sound it before the count-in"
        + (f", or give it to {other}" if other else ""),
        weight=height,
    )


def all_of(desk: Desk, desks: Sequence[Desk]) -> Iterator[Judgement]:
    """Judge everything that this module knows for one part."""
    yield from range_of(desk, desks)
    yield from breath(desk, desks)
    yield from leaps(desk)
    yield from speed(desk)
    yield from cold_entry(desk, desks)


def _written(desk: Desk, pitch: int) -> str:
    return pitch_name(read_as(desk.player, pitch))


def _both(desk: Desk, pitch: int) -> str:
    """Name a pitch as the player reads it, and as it sounds where that differs."""
    written, sounds = _written(desk, pitch), pitch_name(pitch)
    return f"written {written}" + (f" (sounds {sounds})" if written != sounds else "")

"""Ottava lines: where many ledger lines last, for those who read them.

Keyboards, harps, mallets and violins read "8va" above the stave, keyboards and harps "8vb" below it
as well; winds, brass and low strings read ledger lines or another clef (common practice). So do
players of whom nothing is known, where ledger lines would be too many to read (our own choice).
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

from retro.model.instruments import Clef, Family, Instrument
from retro.notation.clefs import steps_up
from retro.notation.score import Chord, Direction, Octave, Voice

MIN_LEDGERS, MIN_VIOLIN_LEDGERS = 3, 4
"""Ledger lines that are worth a line, where they last (common practice: three to four); what holds
for violins holds for players of whom nothing is known."""

BRIDGED_LEDGERS = 2
"""A note with so many between such notes stays under their line."""

MIN_CHORDS, MIN_BEATS = 4, Fraction(4)
"""What lasts: more than a few notes, or a whole note (our own choice)."""

LONE_LEDGERS = 2
"""So many more are worth a line over one note."""

MORE_LEDGERS = 4
MAX_LEDGERS = 9
"""So many more are worth two octaves, if all have them, and so many if one has."""

MAX_REST_BEATS = Fraction(2)
"""A longer rest ends the line."""

LOCO = "loco"

MAX_BRIDGED_BEATS = Fraction(2)
"""Nearer lines are one where that is possible (our own choice)."""

STAVE_STEPS, OCTAVE_STEPS = 8, 7
MIN_STEPS = 4
"""Steps from the further edge of the stave that every head under a line has: an octave nearer it
needs one ledger line at most on the other side."""


Head = tuple[Chord, tuple[int, int]]
"""A chord with the steps of its nearest and its furthest head."""


def octave_lines(
    instrument: Instrument, voices: Iterable[Voice], clefs: Sequence[tuple[Fraction, Clef]]
) -> tuple[Octave, ...]:
    """Return the ottava lines of a stave, in order; `clefs` are (position, clef) from 0 on."""
    chords = sorted(
        (chord for voice in voices for chord in voice.chords), key=lambda chord: chord.on_beats
    )
    lines: list[Octave] = []
    for is_up in (True, False):
        if _reads(instrument, is_up=is_up):
            is_patient = instrument.family is Family.STRINGS or instrument.family is Family.NEUTRAL
            least = MIN_VIOLIN_LEDGERS if is_patient else MIN_LEDGERS
            heads = [(chord, _steps(chord, clefs, is_up=is_up)) for chord in chords]
            found = [line for run in _runs(heads, least) for line in _line(run, least, is_up=is_up)]
            lines += _bridged(found, heads)
    return tuple(sorted(lines, key=lambda line: line.start_beats))


def _bridged(lines: Sequence[Octave], heads: Sequence[Head]) -> Iterator[Octave]:
    """Yield lines, two as one where a few notes between them may stand under it too."""
    kept: Octave | None = None
    for line in lines:
        if kept is None:
            kept = line
            continue
        between = [
            nearest
            for chord, (nearest, _) in heads
            if kept.end_beats <= chord.on_beats < line.start_beats
        ]
        is_short = line.start_beats - kept.end_beats <= MAX_BRIDGED_BEATS
        if (
            kept.octaves == line.octaves
            and is_short
            and min(between, default=MIN_STEPS) >= MIN_STEPS
        ):
            kept = replace(kept, end_beats=line.end_beats)
        else:
            yield kept
            kept = line
    if kept is not None:
        yield kept


def _reads(instrument: Instrument, *, is_up: bool) -> bool:
    if instrument.is_unpitched:
        return False
    if instrument.family in (Family.KEYBOARD, Family.NEUTRAL) or instrument.id == "harp":
        return True
    is_mallet = instrument.family is Family.PERCUSSION and Clef.TREBLE in instrument.clefs
    is_violin = instrument.family is Family.STRINGS and instrument.clefs[0] is Clef.TREBLE
    return is_up and (is_mallet or is_violin)


def _steps(chord: Chord, clefs: Sequence[tuple[Fraction, Clef]], *, is_up: bool) -> tuple[int, int]:
    """Return how far the nearest and the furthest head lie from the stave's further edge."""
    clef = next(clef for start, clef in reversed(clefs) if start <= chord.on_beats)
    steps = [steps_up(spelled, clef) for spelled in chord.spelled]
    away = steps if is_up else [STAVE_STEPS - step for step in steps]
    return min(away), max(away)


def _ledgers(head: Head) -> int:
    return max((head[1][1] - STAVE_STEPS) // 2, 0)


def _runs(heads: Sequence[Head], least: int) -> Iterator[list[Head]]:
    """Yield the chords that lie far from the stave and follow each other, edges trimmed."""
    run: list[Head] = []
    for head in heads:
        is_near = head[1][0] < MIN_STEPS or _ledgers(head) < BRIDGED_LEDGERS
        until = max((chord.off_beats for chord, _ in run), default=head[0].on_beats)
        if is_near or head[0].on_beats - until > MAX_REST_BEATS:
            yield _trimmed(run, least)
            run = []
        if not is_near:
            run.append(head)
    yield _trimmed(run, least)


def _trimmed(run: list[Head], least: int) -> list[Head]:
    far = [place for place, head in enumerate(run) if _ledgers(head) >= least]
    return run[far[0] : far[-1] + 1] if far else []


def _line(run: Sequence[Head], least: int, *, is_up: bool) -> Iterator[Octave]:
    far = [chord for chord, steps in run if _ledgers((chord, steps)) >= least]
    if not far:
        return
    start, end = run[0][0].on_beats, max(chord.off_beats for chord, _ in run)
    lasts = len({chord.on_beats for chord in far}) >= MIN_CHORDS or end - start >= MIN_BEATS
    if not lasts and max(map(_ledgers, run)) < least + LONE_LEDGERS:
        return
    ledgers = [_ledgers(head) for head in run]
    is_two = all(nearest >= MIN_STEPS + OCTAVE_STEPS for _, (nearest, _) in run) and (
        min(ledgers) >= least + MORE_LEDGERS or max(ledgers) >= MAX_LEDGERS
    )
    octaves = 2 if is_two else 1
    yield Octave(start_beats=start, end_beats=end, octaves=octaves if is_up else -octaves)


def loco_words(octaves: Sequence[Octave], voices: Iterable[Voice]) -> Iterator[Direction]:
    """Yield "loco" over what goes on behind a stave's ottava lines without a rest that ends them.

    Where another line begins there, that line says how it is read (common practice).
    """
    ons = sorted({chord.on_beats for voice in voices for chord in voice.chords})
    begun = [line.start_beats for line in octaves]
    for line in octaves:
        following = next((on for on in ons if on >= line.end_beats), None)
        if following is None or following - line.end_beats > MAX_REST_BEATS or following in begun:
            continue
        yield Direction(at_beats=following, text=LOCO, above=line.octaves > 0)

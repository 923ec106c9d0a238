"""Slurs, glissandi, dots, dashes, accents and rolled chords: where sure, else nothing.

All is read from the mirrored performance: what was detached, joined or rolled in the target is so
in the insert, the other way round. Tremolo and trills are there already
(`retro.notation.ornaments`); a tremolo is not slurred, and neither of them slides or has a
dot, a dash or an accent.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Container, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise, takewhile

from retro.model.instruments import Family, Sound
from retro.model.performance import Performance
from retro.model.phrase import Note, Part
from retro.model.time import bar_index
from retro.notation.dynamics import chord_velocities, is_accented
from retro.notation.score import Articulation, Chord, Direction, Line, Mark, Voice
from retro.reversal.mirror import performed
from retro.reversal.rolls import find_rolls, may_roll

MAX_SLUR_S = 4.0
"""Longest slur in seconds: about a bow at a middle dynamic, and well within a breath (common
practice)."""

LEGATO_S = 0.015
"""Largest gap between notes that are still joined (our own estimate)."""

LEGATO_SHARE = 0.4
SURE_GROUP = 4
"""Where less than this share of the notes that touch on paper are joined in sound, only groups of
this many are no accident (our own estimate)."""

STACCATO_SHARE = 0.5
MAX_STACCATO_BEATS = Fraction(1)
"""A note sounding for at most this share of what is written is dotted, if it is no longer."""

FULL_SHARE = 0.95
"""A detached note among dotted ones that sounds for this share is held full: a dash."""

FROM_THE_BEAT = "roll from the click"

GLISSANDO_SEMITONES = 0.8
"""Smallest bend towards the next note that is a slide (our own estimate)."""

_SLURRING = (Family.WOODWIND, Family.BRASS, Family.STRINGS, Family.VOICE)


def articulate(performance: Performance, voice: Voice) -> Voice:
    """Return the voice with its marks, those that it has among them, and its lines."""
    if not voice.chords:
        return voice
    index = performance.notes[voice.chords[0].notes[0]].part
    instrument = performance.players[index].instrument
    slides = tuple(_glissandi(performance, performance.insert.parts[index], voice.chords))
    slurs: tuple[Line, ...] = ()
    if instrument.family in _SLURRING and instrument.sound is Sound.SUSTAINED:
        slurs = tuple(_slurs(performance, voice))
    ons = [chord.on_beats for chord in voice.chords]
    slurred = {
        on
        for slur in slurs
        for on in ons[bisect_left(ons, slur.start_beats) : bisect_right(ons, slur.end_beats)]
    }
    marks = [
        *voice.marks,
        *_accents(performance, voice.chords),
        *(() if instrument.is_unpitched else _lengths(performance, voice.chords, slurred)),
    ]
    ordered = sorted(marks, key=lambda mark: (mark.at_beats, mark.kind))
    return replace(voice, marks=tuple(ordered), lines=slurs + slides)


def _slurs(performance: Performance, voice: Voice) -> Iterator[Line]:
    """Yield slurs over joined notes, none longer than a bow or breath."""
    chords = voice.chords
    tremolos = {mark.at_beats for mark in voice.marks if mark.kind is Articulation.TREMOLO}
    groups = list(_joined_groups(performance, chords, tremolos))
    touching = sum(a.off_beats == b.on_beats for a, b in pairwise(chords))
    joined = len(chords) - len(groups)
    fewest = 2 if joined >= LEGATO_SHARE * touching else SURE_GROUP
    for group in groups:
        for phrase in _bowings(performance, group):
            if len(phrase) > 1 and len(group) >= fewest:
                yield Line(
                    kind="slur", start_beats=phrase[0].on_beats, end_beats=phrase[-1].on_beats
                )


def _joined_groups(
    performance: Performance, chords: Sequence[Chord], tremolos: Container[Fraction]
) -> Iterator[list[Chord]]:
    group = [chords[0]]
    for before, chord in pairwise(chords):
        is_struck_again = before.on_beats in tremolos or chord.on_beats in tremolos
        if is_struck_again or not _is_joined(performance, before, chord):
            yield group
            group = []
        group.append(chord)
    yield group


def _is_joined(performance: Performance, before: Chord, chord: Chord) -> bool:
    """Whether one chord goes over into the next without a new attack, on paper and in sound."""
    if before.off_beats != chord.on_beats or set(before.pitches) & set(chord.pitches):
        return False
    let_go = max(note.off_beats for note in performed(performance, before.all_notes))
    begun = min(note.on_beats for note in performed(performance, chord.all_notes))
    return performance.insert.tempo.span_s(let_go, begun) <= LEGATO_S


def _bowings(performance: Performance, group: Sequence[Chord]) -> Iterator[list[Chord]]:
    """Cut a joined line at the last bar line, else the last beat, within a bow's reach."""
    rest = list(group)
    while rest:
        reach = _reach(performance, rest)
        if reach < len(rest):
            cuts = range(reach, 0, -1)
            at_bar = [i for i in cuts if _begins_bar(performance, rest[i].on_beats)]
            at_beat = [i for i in cuts if rest[i].on_beats.denominator == 1]
            reach = next(iter((*at_bar, *at_beat)), reach)
        yield rest[:reach]
        rest = rest[reach:]


def _begins_bar(performance: Performance, at: Fraction) -> bool:
    bars = performance.insert.bars
    return bars[bar_index(bars, at)].start_beats == at


def _reach(performance: Performance, chords: Sequence[Chord]) -> int:
    """Count the chords that fit into one bow or breath, at least one."""
    tempo, start = performance.insert.tempo, chords[0].on_beats
    fitting = takewhile(lambda chord: tempo.span_s(start, chord.off_beats) <= MAX_SLUR_S, chords)
    return max(sum(1 for _ in fitting), 1)


def _accents(performance: Performance, chords: Sequence[Chord]) -> Iterator[Mark]:
    velocities = chord_velocities(performance, chords)
    for place, chord in enumerate(chords):
        if is_accented(velocities, place) and not chord.more:
            yield Mark(at_beats=chord.on_beats, kind=Articulation.ACCENT)


def _lengths(
    performance: Performance, chords: Sequence[Chord], slurred: set[Fraction]
) -> Iterator[Mark]:
    """Yield dots to short notes, and dashes to full ones between dotted ones."""
    shares = [_share(performance, chord) for chord in chords]
    dotted = [
        share <= STACCATO_SHARE
        and not chord.more
        and chord.on_beats not in slurred
        and chord.off_beats - chord.on_beats <= MAX_STACCATO_BEATS
        for share, chord in zip(shares, chords, strict=True)
    ]
    for place, chord in enumerate(chords):
        if dotted[place]:
            yield Mark(at_beats=chord.on_beats, kind=Articulation.STACCATO)
        elif (
            0 < place < len(chords) - 1
            and not chord.more
            and dotted[place - 1]
            and dotted[place + 1]
            and shares[place] >= FULL_SHARE
        ):
            yield Mark(at_beats=chord.on_beats, kind=Articulation.TENUTO)


def _share(performance: Performance, chord: Chord) -> float:
    """Longest performed length over the written one."""
    longest = max(note.length_beats for note in performed(performance, chord.all_notes))
    return float(longest / (chord.off_beats - chord.on_beats))


def roll_marks(
    performance: Performance, chords: Sequence[Chord]
) -> tuple[tuple[Mark, ...], tuple[Direction, ...]]:
    """Return signs for chords whose tones begin one after the other, and words for some of them.

    `chords` are all of one player, over both staves: a roll goes through both hands. The words say
    of a roll that its first tone is on the beat; players have the last there.
    """
    heads = [(chord.on_beats, i) for chord in chords if not chord.more for i in chord.notes]
    if not heads or not may_roll(performance.player_of(heads[0][1]).instrument):
        return (), ()
    notes = [performance.notes[i] for _, i in heads]
    rolls = tuple(
        find_rolls(
            [on for on, _ in heads],
            [note.target.pitch for note in notes],
            [note.played_on_s for note in notes],
            performance.insert.tempo.seconds_at,
        )
    )
    marks = (
        Mark(
            at_beats=roll.on_beats,
            kind=Articulation.ARPEGGIO_UP if roll.is_upward else Articulation.ARPEGGIO_DOWN,
        )
        for roll in rolls
    )
    words = (
        Direction(at_beats=roll.on_beats, text=FROM_THE_BEAT)
        for roll in rolls
        if roll.begins_on_beat
    )
    return tuple(marks), tuple(words)


def _glissandi(performance: Performance, part: Part, chords: Sequence[Chord]) -> Iterator[Line]:
    """Find slides: a bend late in a note, or early in the next, that covers the way between."""
    if part.bend is None or len(part.bend.values) == 1:
        return
    for before, chord in pairwise(chords):
        way = chord.pitches[0] - before.pitches[0]
        joined = before.off_beats == chord.on_beats
        if not joined or not way or len(before.all_notes) + len(chord.all_notes) > 2:
            continue
        sign = 1 if way > 0 else -1
        first, second = performed(performance, (*before.notes, *chord.notes))
        late = _bend_moved(part, _middle(first), first.off_beats)
        early = _bend_moved(part, second.on_beats, _middle(second))
        if max(late * sign, early * sign) >= GLISSANDO_SEMITONES:
            yield Line(kind="glissando", start_beats=before.on_beats, end_beats=chord.on_beats)


def _middle(note: Note) -> Fraction:
    return (note.on_beats + note.off_beats) / 2


def _bend_moved(part: Part, start: Fraction, end: Fraction) -> float:
    """Semitones that the bend moves between two places, just inside them."""
    if part.bend is None:
        return 0.0
    inset = (end - start) / 100
    moved = part.bend.at(end - inset) - part.bend.at(start + inset)
    return float(moved * part.bend_range_semitones / 8192)

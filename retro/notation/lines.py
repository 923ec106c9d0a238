"""From a performance to what stands on each player's stand.

Wind and brass chords are dealt out to players, string chords to divisi, harp and keyboards to two
hands (common practice). Every note of the performance stands in exactly one chord, with the span
that the performance says is written; a tremolo or a trill is one chord that holds many.
"""

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

from retro.model.figures import off_the_grid
from retro.model.instruments import Family, Player
from retro.model.performance import Performance
from retro.notation.articulation import articulate, roll_marks
from retro.notation.breaths import Stretch, bow_words, breath_marks, plan_breaths
from retro.notation.clefs import choose_clefs, second_choice
from retro.notation.dynamics import dynamics
from retro.notation.figures import glissando_words, slides_across, with_figures, with_glissandi
from retro.notation.names import page_name, short_name, told_apart
from retro.notation.octaves import octave_lines
from retro.notation.ornaments import said_once, signed_chords, with_measured
from retro.notation.pedalling import pedal_words, pedalled
from retro.notation.releases import briefly, release_marks, ring_marks
from retro.notation.score import Chord, Direction, Mark, Spelled, Stave, Voice, WrittenPart
from retro.notation.signs import WrittenSigns
from retro.notation.spelling import spell_all, written_keys
from retro.notation.unpitched import legend
from retro.notation.voices import (
    PLAYER_RANK_WEIGHT,
    VOICE_RANK_WEIGHT,
    assign_voices,
    join_chords,
    seats_needed,
    single_chords,
)
from retro.notation.words import advice, divisi, keyboard_words, swing_words, vowel_words
from retro.reversal.hands import split_hands

WINDS = (Family.WOODWIND, Family.BRASS)

INTERLOCKED = frozenset(("horn-in-f", "wagner-tuba-in-f"))
"""Instruments whose odd players are high and whose even players are low (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seat:
    """One part to write: who, and which notes on which stave."""

    name: str
    abbreviation: str
    staves: tuple[tuple[int, ...], ...]


def write_parts(
    performance: Performance, *, is_dealt: bool = True, is_straight: bool = False
) -> tuple[WrittenPart, ...]:
    """Return every player's part, in score order; players without notes are left out.

    Chords of winds are dealt out to their players, else (`is_dealt`) one stave keeps them all.
    Where pairs are even and the song swings (`is_straight`), the parts say so.
    """
    names = pedalled(performance, spell_all(performance))
    written = []
    for index, player in enumerate(performance.players):
        mine = [i for i, note in enumerate(performance.notes) if note.part == index]
        off = off_the_grid(performance.figures)
        notes = [i for i in mine if i not in off]
        signed = {chord.notes[0]: chord for chord in signed_chords(performance, notes, names)}
        signed = with_figures(performance, signed, names, index)
        under = {i for chord in signed.values() for i in chord.all_notes} - signed.keys()
        chords = single_chords(performance, [i for i in notes if i not in under], signed, names)
        taken = _numbers_beside(performance.players, index) if is_dealt else None
        seats = _seats(player, chords, taken)
        for seat, breaths in zip(seats, _breaths(performance, index, seats, signed), strict=True):
            written.append(_write(performance, index, seat, names, signed, breaths=breaths))
    written.sort(key=lambda part: (part.instrument.score_order, part.part))
    short = told_apart([part.name for part in written], [part.abbreviation for part in written])
    feel = swing_words(performance.settings, is_straight=is_straight)
    return tuple(
        replace(part, abbreviation=each, directions=_in_time((*part.directions, *feel)))
        for part, each in zip(written, short, strict=True)
    )


def _in_time(directions: Iterable[Direction]) -> tuple[Direction, ...]:
    return tuple(sorted(directions, key=lambda direction: direction.at_beats))


def _breaths(
    performance: Performance, index: int, seats: Sequence[_Seat], signed: Mapping[int, Chord]
) -> tuple[tuple[Stretch, ...], ...]:
    """Return the stretches of every seat that has one line."""
    lines = [single_chords(performance, seat.staves[0], signed) for seat in seats]
    lines = [line if seats_needed(line) <= 1 else [] for line in lines]
    return plan_breaths(performance, index, lines)


def _numbers_beside(players: Sequence[Player], index: int) -> frozenset[int]:
    """Return the numbers of other players of one name."""
    base = _unnumbered(players[index])
    others = (p for at, p in enumerate(players) if at != index and _unnumbered(p) == base)
    return frozenset(number for other in others for number in other.numbers)


def _seats(player: Player, chords: Sequence[Chord], taken: frozenset[int] | None) -> list[_Seat]:
    """Return the parts of a player; `taken` numbers go to no other, None keeps the chords whole."""
    if not chords:
        return []
    instrument = player.instrument
    is_wind = instrument.family in WINDS and instrument.staves == 1
    if taken is not None and is_wind and len(player.numbers) != 1:
        dealt = _dealt(player, chords, taken)
        if len(dealt) > 1:
            return dealt
    notes = tuple(chord.notes[0] for chord in chords)
    staves: tuple[tuple[int, ...], ...] = (notes,)
    if instrument.staves > 1:
        hands = split_hands(
            [chord.on_beats for chord in chords], [chord.pitches[0] for chord in chords]
        )
        staves = tuple(tuple(notes[k] for k in hand) for hand in hands)
        if instrument.family in (Family.VOICE, Family.STRINGS) and not staves[-1]:
            staves = staves[:1]
    abbreviation = short_name(player.name, instrument)
    return [_Seat(name=player.name, abbreviation=abbreviation, staves=staves)]


def _dealt(player: Player, chords: Sequence[Chord], taken: frozenset[int]) -> list[_Seat]:
    """Deal the chords of a section out to its players, and number them."""
    count = seats_needed(chords)
    numbers = list(player.numbers[:count])
    free = (
        number for number in itertools.count(max(numbers, default=0) + 1) if number not in taken
    )
    numbers += itertools.islice(free, count - len(numbers))
    if count >= 4 and player.instrument.id in INTERLOCKED:
        numbers.sort(key=lambda number: (number % 2 == 0, number))
    lines = assign_voices(chords, count, rank_weight=PLAYER_RANK_WEIGHT)
    base = _unnumbered(player)
    seats = [
        _Seat(
            name=f"{base} {number}",
            abbreviation=f"{short_name(base, player.instrument)} {number}",
            staves=(tuple(i for chord in line for i in chord.notes),),
        )
        for number, line in sorted(zip(numbers, lines, strict=True), key=lambda pair: pair[0])
    ]
    return [seat for seat in seats if seat.staves[0]]


def _unnumbered(player: Player) -> str:
    tail = " " + ".".join(str(number) for number in player.numbers)
    return player.name.removesuffix(tail) if player.numbers else player.name


def _write(
    performance: Performance,
    index: int,
    seat: _Seat,
    names: Sequence[Spelled],
    signed: Mapping[int, Chord],
    *,
    breaths: Sequence[Stretch],
) -> WrittenPart:
    player = performance.players[index]
    staves = tuple(
        _stave(performance, player, _voices(performance, notes, names, signed), is_lower=place > 0)
        for place, notes in enumerate(seat.staves)
    )
    chords = _in_order(chord for stave in staves for chord in stave.chords)
    said: tuple[Direction, ...] = ()
    rolls: tuple[Mark, ...] = ()
    if performance.insert.parts[index].signs is None:
        rolls, said = roll_marks(performance, chords)
        levels, hairpins = dynamics(performance, _written_out(performance, chords))
    else:
        signs = WrittenSigns(performance, index)
        levels, hairpins = signs.dynamics(chords)
        said = tuple(signs.words(chords))
    commas, turns = breath_marks(breaths)
    staves = tuple(_with_all_marks(stave, (*rolls, *commas)) for stave in staves)
    releases = release_marks(performance, chords)
    directions = (
        *said,
        *turns,
        advice(player, chords, releases, is_rolled=bool(rolls), has_commas=bool(commas)),
        *bow_words(performance, player, chords),
        *vowel_words(player),
        *legend(player.instrument, (pitch for chord in chords for pitch in chord.pitches)),
        *pedal_words(performance, index),
        *keyboard_words(performance, index, releases),
        *_unison(player, seat, chords),
        *divisi(player, chords),
        *glissando_words(performance, chords, names),
        *briefly(performance, releases),
    )
    return WrittenPart(
        name=page_name(seat.name, player.instrument),
        abbreviation=seat.abbreviation,
        instrument=player.instrument,
        part=index,
        keys=written_keys(performance.insert.keys, player.instrument),
        staves=staves,
        levels=levels,
        hairpins=hairpins,
        directions=_in_time(directions),
        slides=tuple(slides_across(performance, staves)),
    )


def _unison(player: Player, seat: _Seat, chords: Sequence[Chord]) -> tuple[Direction, ...]:
    """Say how many wind players read one line; nothing where a stave has chords to share out."""
    together = player.instrument.family in WINDS
    is_shared = len(player.numbers) > 1 and seat.name == player.name
    if not together or not is_shared or seats_needed(chords) > 1:
        return ()
    return (Direction(at_beats=chords[0].on_beats, text=f"a {len(player.numbers)}"),)


def _stave(
    performance: Performance, player: Player, voices: Sequence[Voice], *, is_lower: bool
) -> Stave:
    chords = _in_order(chord for voice in voices for chord in voice.chords)
    ringing = ring_marks(performance, chords)
    part = performance.players.index(player)
    is_said = performance.insert.parts[part].signs is not None
    signs = WrittenSigns(performance, part)
    articulated = signs.on if is_said else partial(articulate, performance)
    clefs = player.instrument.clefs
    said = signs.clefs(chords, clefs) if player.instrument.staves == 1 else ()
    placed = said or choose_clefs(
        chords,
        clefs[::-1] if is_lower else clefs,
        reluctance=second_choice(player.instrument),
    )
    return Stave(
        voices=tuple(
            _with_marks(with_glissandi(performance, articulated(voice)), ringing)
            for voice in voices
        ),
        clefs=placed,
        octaves=octave_lines(player.instrument, voices, placed),
    )


def _with_marks(voice: Voice, marks: Sequence[Mark]) -> Voice:
    """Return a voice with the marks that belong to its chords."""
    begun = {chord.on_beats for chord in voice.chords}
    here = tuple(mark for mark in marks if mark.at_beats in begun)
    return replace(voice, marks=voice.marks + here)


def _with_all_marks(stave: Stave, marks: Sequence[Mark]) -> Stave:
    return replace(stave, voices=tuple(_with_marks(voice, marks) for voice in stave.voices))


def _in_order(chords: Iterable[Chord]) -> list[Chord]:
    return sorted(chords, key=lambda chord: (chord.on_beats, chord.notes))


def _voices(
    performance: Performance,
    notes: Iterable[int],
    names: Sequence[Spelled],
    signed: Mapping[int, Chord],
) -> tuple[Voice, ...]:
    """Return the fewest voices that hold all notes, the upper first."""
    chords = with_measured(performance, join_chords(performance, notes, signed, names))
    lines = assign_voices(chords, max(seats_needed(chords), 1), rank_weight=VOICE_RANK_WEIGHT)
    return tuple(
        Voice(
            chords=tuple(line),
            marks=tuple(said_once(chord.mark for chord in line if chord.mark)),
        )
        for line in lines
    )


def _written_out(performance: Performance, chords: Iterable[Chord]) -> list[Chord]:
    """Return a chord of its own for every note that a sign stands for, in order."""
    single = [
        replace(
            chord,
            on_beats=performance.notes[i].written_on_beats,
            off_beats=performance.notes[i].written_off_beats,
            notes=(i,),
            more=(),
            mark=None,
        )
        for chord in chords
        if chord.more
        for i in chord.all_notes
    ]
    plain = [chord for chord in chords if not chord.more]
    return _in_order([*plain, *single])

"""From a performance to what stands on each player's stand.

Wind and brass chords are dealt out to players, string chords to divisi, harp and keyboards to two
hands (common practice). Every note of the performance stands in exactly one stroke, with the span
that the performance says is written; a tremolo or a trill is one stroke that holds many.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from retro.model.instruments import Clef, Family, Player
from retro.model.performance import Performance
from retro.notation.articulation import articulate, roll_marks
from retro.notation.clefs import RELUCTANT, SECOND_CHOICE, choose_clefs
from retro.notation.dealing import (
    Block,
    chord_blocks,
    deal,
    seats_needed,
    single_blocks,
)
from retro.notation.dynamics import dynamics
from retro.notation.ornaments import said_once, signed_blocks, with_measured
from retro.notation.releases import release_marks, ring_marks
from retro.notation.score import Direction, Mark, Spelled, Stave, Stroke, Voice, WrittenPart
from retro.notation.spelling import places, spell, written_key, written_keys
from retro.notation.unpitched import place_of
from retro.notation.words import advice, divisi
from retro.reversal.hands import split_hands

PLAYER_RANK_WEIGHT = 1.5
VOICE_RANK_WEIGHT = 100.0
"""Players keep their lines; voices on one stave keep their order. See `dealing.deal`."""

INTERLOCKED = frozenset(("horn-in-f", "wagner-tuba-in-f"))
"""Instruments whose odd players are high and whose even players are low (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seat:
    """One part to write: who, and which notes on which stave."""

    name: str
    abbreviation: str
    staves: tuple[tuple[int, ...], ...]


def write_parts(performance: Performance) -> tuple[WrittenPart, ...]:
    """Give every player's part, in score order; players without notes are left out.

    Parameters
    ----------
    performance
        Its written spans stand as they are.
    """
    names = _spell_all(performance)
    written = []
    for index, player in enumerate(performance.players):
        notes = [i for i, note in enumerate(performance.notes) if note.part == index]
        signed = {block.notes[0]: block for block in signed_blocks(performance, notes, names)}
        under = {i for block in signed.values() for i in block.all_notes} - signed.keys()
        blocks = single_blocks(performance, [i for i in notes if i not in under], signed)
        for seat in _seats(player, blocks):
            written.append(_write(performance, index, seat, names, signed))
    return tuple(sorted(written, key=lambda part: (part.instrument.score_order, part.part)))


def _spell_all(performance: Performance) -> tuple[Spelled, ...]:
    """Give the written pitch of every note."""
    spelled = []
    for note, place in zip(performance.notes, places(performance), strict=True):
        instrument = performance.players[note.part].instrument
        if instrument.is_unpitched:
            spelled.append(place_of(instrument, note.target.pitch))
            continue
        sounding = performance.insert.keys.at(note.written_on_beats)
        written = written_key(sounding, instrument)
        spelled.append(
            spell(
                note.target.pitch, place, sounding=sounding, written=written, instrument=instrument
            )
        )
    return tuple(spelled)


def _seats(player: Player, blocks: Sequence[Block]) -> list[_Seat]:
    if not blocks:
        return []
    instrument = player.instrument
    notes = [block.notes[0] for block in blocks]
    if instrument.staves > 1:
        hands = split_hands(
            [block.on_beats for block in blocks], [block.pitches[0] for block in blocks]
        )
        return [
            _Seat(
                name=player.name,
                abbreviation=_abbreviation(player),
                staves=tuple(tuple(notes[k] for k in hand) for hand in hands),
            )
        ]
    if instrument.family in (Family.WOODWIND, Family.BRASS) and len(player.numbers) != 1:
        dealt = _dealt(player, blocks)
        if len(dealt) > 1:
            return dealt
    return [_Seat(name=player.name, abbreviation=_abbreviation(player), staves=(tuple(notes),))]


def _dealt(player: Player, blocks: Sequence[Block]) -> list[_Seat]:
    """Deal the chords of a section out to its players, and number them."""
    count = seats_needed(blocks)
    numbers = list(player.numbers[:count])
    while len(numbers) < count:
        numbers.append(max(numbers, default=0) + 1)
    if count >= 4 and player.instrument.id in INTERLOCKED:
        numbers.sort(key=lambda number: (number % 2 == 0, number))
    lines = deal(blocks, count, rank_weight=PLAYER_RANK_WEIGHT)
    base = _unnumbered(player)
    seats = [
        _Seat(
            name=f"{base} {number}",
            abbreviation=f"{player.instrument.abbreviation} {number}",
            staves=(tuple(i for block in line for i in block.notes),),
        )
        for number, line in sorted(zip(numbers, lines, strict=True), key=lambda pair: pair[0])
    ]
    return [seat for seat in seats if seat.staves[0]]


def _unnumbered(player: Player) -> str:
    tail = " " + ".".join(str(number) for number in player.numbers)
    return player.name.removesuffix(tail) if player.numbers else player.name


def _abbreviation(player: Player) -> str:
    """Give the short name with whatever the long one says beyond the instrument's."""
    instrument = player.instrument
    if player.name.startswith(instrument.name):
        return instrument.abbreviation + player.name.removeprefix(instrument.name)
    return instrument.abbreviation


def _write(
    performance: Performance,
    index: int,
    seat: _Seat,
    names: Sequence[Spelled],
    signed: Mapping[int, Block],
) -> WrittenPart:
    player = performance.players[index]
    staves = tuple(
        _stave(performance, player, _voices(performance, notes, names, signed), is_lower=place > 0)
        for place, notes in enumerate(seat.staves)
    )
    strokes = _in_order(voice for stave in staves for voice in stave.voices)
    rolls = roll_marks(performance, strokes)
    staves = tuple(
        replace(stave, voices=tuple(_with_marks(voice, rolls) for voice in stave.voices))
        for stave in staves
    )
    levels, hairpins = dynamics(performance, _written_out(performance, strokes))
    directions = (
        advice(player),
        *_unison(player, seat, strokes),
        *divisi(player, strokes),
        *release_marks(performance, strokes),
    )
    return WrittenPart(
        name=seat.name,
        abbreviation=seat.abbreviation,
        instrument=player.instrument,
        part=index,
        keys=written_keys(performance.insert.keys, player.instrument),
        staves=staves,
        levels=levels,
        hairpins=hairpins,
        directions=tuple(sorted(directions, key=lambda direction: direction.at_beats)),
    )


def _unison(player: Player, seat: _Seat, strokes: Sequence[Stroke]) -> tuple[Direction, ...]:
    """Say how many wind players read one line."""
    together = player.instrument.family in (Family.WOODWIND, Family.BRASS)
    if not together or len(player.numbers) < 2 or seat.name != player.name:
        return ()
    return (Direction(at_beats=strokes[0].on_beats, text=f"a {len(player.numbers)}"),)


def _stave(
    performance: Performance, player: Player, voices: Sequence[Voice], *, is_lower: bool
) -> Stave:
    strokes = _in_order(voices)
    ringing = ring_marks(performance, strokes)
    clefs = player.instrument.clefs
    horn_like = player.instrument.family is Family.BRASS and clefs[0] is Clef.TREBLE
    return Stave(
        voices=tuple(_with_marks(articulate(performance, voice), ringing) for voice in voices),
        clefs=choose_clefs(
            strokes,
            clefs[::-1] if is_lower else clefs,
            second_choice=RELUCTANT if horn_like else SECOND_CHOICE,
        ),
    )


def _with_marks(voice: Voice, marks: Sequence[Mark]) -> Voice:
    """Give a voice the marks that belong to its strokes."""
    begun = {stroke.on_beats for stroke in voice.strokes}
    here = tuple(mark for mark in marks if mark.at_beats in begun)
    return replace(voice, marks=voice.marks + here)


def _in_order(voices: Iterable[Voice]) -> list[Stroke]:
    strokes = (stroke for voice in voices for stroke in voice.strokes)
    return sorted(strokes, key=lambda stroke: (stroke.on_beats, stroke.notes))


def _voices(
    performance: Performance,
    notes: Iterable[int],
    names: Sequence[Spelled],
    signed: Mapping[int, Block],
) -> tuple[Voice, ...]:
    """Give the fewest voices that hold all notes, the upper first."""
    blocks = with_measured(performance, chord_blocks(performance, notes, signed))
    lines = deal(blocks, max(seats_needed(blocks), 1), rank_weight=VOICE_RANK_WEIGHT)
    return tuple(
        Voice(
            strokes=tuple(_stroke(block, names) for block in line),
            marks=tuple(said_once(block.mark for block in line if block.mark)),
        )
        for line in lines
    )


def _stroke(block: Block, names: Sequence[Spelled]) -> Stroke:
    return Stroke(
        on_beats=block.on_beats,
        off_beats=block.off_beats,
        pitches=block.pitches,
        notes=block.notes,
        spelled=tuple(names[i] for i in block.notes),
        more=block.more,
    )


def _written_out(performance: Performance, strokes: Iterable[Stroke]) -> list[Stroke]:
    """Give a stroke of its own to every note that a sign stands for, in order."""
    single = [
        replace(
            stroke,
            on_beats=performance.notes[i].written_on_beats,
            off_beats=performance.notes[i].written_off_beats,
            notes=(i,),
            more=(),
        )
        for stroke in strokes
        if stroke.more
        for i in stroke.all_notes
    ]
    plain = [stroke for stroke in strokes if not stroke.more]
    return sorted([*plain, *single], key=lambda stroke: (stroke.on_beats, stroke.notes))

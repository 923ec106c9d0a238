"""One line of cue: what sounds where the insert will, as a player of any instrument reads it.

Common practice: a player who is silent reads small notes of what leads, in the own clef, key and
transposition, moved by octaves to where the own clef has few ledger lines.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from retro.model.instruments import Clef, Player
from retro.model.performance import Performance
from retro.model.phrase import Note, Part, Phrase
from retro.model.settings import Compensate, Settings
from retro.notation.lines import write_parts
from retro.notation.score import Chord, Stave, Voice, WrittenPart
from retro.reversal.compensate import perform
from retro.reversal.figures import find_figures
from retro.reversal.mirror import mirror, mirror_note
from retro.reversal.quantize import quantize

MIDDLE = {Clef.TREBLE: 71, Clef.BASS: 50, Clef.ALTO: 60, Clef.TENOR: 57}
"""The pitch on the middle line of each clef."""

OCTAVE = 12

MIN_LEADING_SHARE = Fraction(3, 4)
"""What share of the longest a line has to sound to lead (our own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """What leads in a phrase: whose it is, and its notes in the order of time, one at a time."""

    name: str
    notes: tuple[Note, ...]


def cue_of(target: Phrase, players: Sequence[Player], *, grid_beats: Fraction) -> Cue | None:
    """Return the highest of the lines that sound most of the time; None without any line.

    Its times are written ones: those of whole chords, as hands do not begin one together, on the
    grid of the insert.
    """
    lines = {
        part: Cue(name=player.name, notes=_top(part.notes))
        for part, player in zip(target.parts, players, strict=True)
        if not player.instrument.is_unpitched and part.notes
    }
    longest = max((_sounding(line) for line in lines.values()), default=Fraction(0))
    leading = {
        part: line for part, line in lines.items() if _sounding(line) >= MIN_LEADING_SHARE * longest
    }
    if not leading:
        return None
    leader = max(leading, key=lambda part: _mean_pitch(leading[part]))
    return replace(leading[leader], notes=_top(_written(leader, target, grid_beats)))


def _written(part: Part, target: Phrase, grid_beats: Fraction) -> Iterator[Note]:
    """Yield the notes of a part of a target at the times at which paper has them."""
    insert = mirror(replace(target, parts=(part,)))
    (spans,) = quantize(insert, grid_beats=grid_beats)
    for note, (on_beats, off_beats) in zip(insert.parts[0].notes, spans, strict=True):
        yield mirror_note(
            replace(note, on_beats=on_beats, off_beats=off_beats), target.length_beats
        )


def _sounding(cue: Cue) -> Fraction:
    return sum((note.length_beats for note in cue.notes), Fraction(0))


def _mean_pitch(cue: Cue) -> Fraction:
    return Fraction(sum(note.pitch for note in cue.notes), len(cue.notes))


def _top(notes: Iterable[Note]) -> tuple[Note, ...]:
    """Return the upper line: the highest note of each moment, cut where the next begins."""
    line: list[Note] = []
    for note in sorted(notes, key=lambda each: (each.on_beats, -each.pitch)):
        if line and line[-1].off_beats > note.on_beats:
            if line[-1].on_beats == note.on_beats or line[-1].pitch > note.pitch:
                continue
            line[-1] = replace(line[-1], off_beats=note.on_beats)
        line.append(note)
    return tuple(line)


def written_cues(
    cue: Cue, target: Phrase, readers: Sequence[Player], *, grid_beats: Fraction
) -> tuple[WrittenPart | None, ...]:
    """Return a cue of a target as each player reads it on one stave, None for who has no pitch."""
    reading = [reader for reader in readers if reader.instrument.clefs[0] in MIDDLE]
    phrase = mirror(replace(target, parts=tuple(_moved(cue, reader) for reader in reading)))
    alone = tuple(
        replace(reader, instrument=replace(reader.instrument, staves=1), numbers=(1,))
        for reader in reading
    )
    as_is = Settings(compensate=Compensate.NONE, grid_beats=grid_beats)
    together = perform(phrase, alone, as_is)
    lines = iter([_one_line(_only(together, index)) for index in range(len(reading))])
    return tuple(next(lines) if each in reading else None for each in readers)


def _moved(cue: Cue, reader: Player) -> Part:
    """Return a cue as a part, in the octave where its reader has few ledger lines."""
    instrument = reader.instrument
    written = _mean_pitch(cue) - instrument.transposition.semitones
    octaves = round((MIDDLE[instrument.clefs[0]] - written) / OCTAVE)
    moved = (replace(note, pitch=note.pitch + OCTAVE * octaves) for note in cue.notes)
    return Part(name=cue.name, channel=0, program=None, notes=tuple(moved))


def _only(together: Performance, index: int) -> Performance:
    """Return a performance as if one of its parts were alone: its notes are spelled by themselves.

    The parts are worked out together since that costs hardly more than one of them.
    """
    own = slice(index, index + 1)
    target = replace(together.target, parts=together.target.parts[own])
    players = together.players[own]
    return replace(
        together,
        target=target,
        insert=replace(together.insert, parts=together.insert.parts[own]),
        players=players,
        notes=tuple(replace(note, part=0) for note in together.notes if note.part == index),
        figures=find_figures(target, players, grid_beats=together.settings.grid_beats),
    )


def _one_line(performance: Performance) -> WrittenPart:
    """Return the part of one player, on one stave in the player's own clef."""
    (line,) = write_parts(performance, is_dealt=False)
    voice = Voice(chords=tuple(_in_line(line.staves[0].chords)))
    clef = performance.players[0].instrument.clefs[0]
    return replace(line, staves=(Stave(voices=(voice,), clefs=((Fraction(0), clef),)),))


def _in_line(chords: Iterable[Chord]) -> list[Chord]:
    """Return chords of which none begins before the last one ends."""
    line: list[Chord] = []
    for chord in sorted(chords, key=lambda each: each.on_beats):
        if not line or chord.on_beats >= line[-1].off_beats:
            line.append(chord)
    return line

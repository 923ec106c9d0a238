"""What each player has before them in the insert: strokes in order, dealt out to the desk.

Conventions
-----------
Times are insert time as written.
"""

from collections import defaultdict
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

from retro.model.figures import Figure, FigureKind, off_the_grid
from retro.model.instruments import Family, Player
from retro.model.loudness import PartLoudness
from retro.model.performance import Performance, PlayedNote
from retro.notation.score import Chord
from retro.notation.voices import PLAYER_RANK_WEIGHT, assign_voices, seats_needed, single_chords

BLOWN = (Family.WOODWIND, Family.BRASS)
"""Families whose players have one note each at a time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenNote:
    """One note, by its index in a performance, as its player reads it: start and stop as written.

    `loudness` is that at its start, as `retro.model.loudness` reckons it.
    """

    index: int
    note: PlayedNote
    on_s: float
    off_s: float
    loudness: float

    @property
    def pitch(self) -> int:
        """Sounding MIDI pitch."""
        return self.note.target.pitch

    @property
    def on_beats(self) -> Fraction:
        """Written start in quarter notes."""
        return self.note.written_on_beats


@dataclass(frozen=True)
class Desk:
    """All that one part, by its index, of a performance asks for."""

    performance: Performance
    part: int

    @property
    def player(self) -> Player:
        """Who reads it."""
        return self.performance.players[self.part]

    @cached_property
    def written_notes(self) -> tuple[WrittenNote, ...]:
        """Every note, by written start, then pitch."""
        performance = self.performance
        seconds_at = performance.insert.tempo.seconds_at
        loudness = PartLoudness.of(performance.insert.parts[self.part])
        reads = []
        for index, note in enumerate(performance.notes):
            if note.part != self.part:
                continue
            reads.append(
                WrittenNote(
                    index=index,
                    note=note,
                    on_s=float(seconds_at(note.written_on_beats)),
                    off_s=float(seconds_at(note.written_off_beats)),
                    loudness=loudness.loudness_at(note.target.velocity, note.written_on_beats),
                )
            )
        return tuple(sorted(reads, key=lambda read: (read.on_beats, read.pitch, read.index)))

    @cached_property
    def counted(self) -> tuple[WrittenNote, ...]:
        """The notes that stand on the grid: no graces, and of a glissando its ends."""
        off = off_the_grid(self.performance.figures)
        return tuple(read for read in self.written_notes if read.index not in off)

    @cached_property
    def figures(self) -> dict[int, Figure]:
        """The run or glissando that a note is in, by the note's index."""
        return {
            i: figure
            for figure in self.performance.figures
            for i in figure.notes
            if figure.kind is not FigureKind.GRACES
        }

    @cached_property
    def measured(self) -> tuple[WrittenNote, ...]:
        """The counted notes whose times are held to the paper: not those beside a figure."""
        return tuple(
            read
            for read in self.counted
            if read.index not in self.figures and read.on_beats not in self._after_graces
        )

    @cached_property
    def _after_graces(self) -> frozenset[Fraction]:
        """Where graces follow: the next note yields its beginning to them."""
        notes = self.performance.notes
        mains = (figure.main for figure in self.performance.figures if figure.main is not None)
        return frozenset(notes[i].written_off_beats for i in mains if notes[i].part == self.part)

    @cached_property
    def chords(self) -> tuple[tuple[WrittenNote, ...], ...]:
        """The counted notes by written start: what begins together."""
        by_start: dict[Fraction, list[WrittenNote]] = defaultdict(list)
        for read in self.counted:
            by_start[read.on_beats].append(read)
        return tuple(tuple(chord) for chord in by_start.values())

    @cached_property
    def most_at_once(self) -> int:
        """How many counted notes sound at once at most, as written."""
        return seats_needed(self._singles)

    @cached_property
    def _singles(self) -> list[Chord]:
        return single_chords(self.performance, [read.index for read in self.counted])

    @cached_property
    def dealt(self) -> tuple[tuple[Chord, ...], ...]:
        """The counted notes as chords of one, dealt out: one line per seat, the upper one first."""
        seats = max(self.most_at_once, 1)
        dealt = assign_voices(self._singles, seats, rank_weight=PLAYER_RANK_WEIGHT)
        return tuple(tuple(line) for line in dealt if line)

    @cached_property
    def lines(self) -> tuple[tuple[WrittenNote, ...], ...]:
        """The counted notes dealt out, one line per seat, the upper one first."""
        by_index = {read.index: read for read in self.counted}
        return tuple(tuple(by_index[chord.notes[0]] for chord in line) for line in self.dealt)

    @cached_property
    def fullest(self) -> tuple[WrittenNote, ...]:
        """The most notes that sound at one written start, the first such, in their order."""
        fullest: tuple[WrittenNote, ...] = ()
        sounding: tuple[WrittenNote, ...] = ()
        for chord in self.chords:
            start = chord[0].on_beats
            held = (read for read in sounding if read.note.written_off_beats > start)
            sounding = (*held, *chord)
            fullest = max(fullest, sounding, key=len)
        return fullest

    def sounding(self, beats: Fraction) -> tuple[WrittenNote, ...]:
        """Return what sounds at a written position."""
        return tuple(
            read
            for read in self.written_notes
            if read.on_beats <= beats < read.note.written_off_beats
        )


def desks(performance: Performance) -> tuple[Desk, ...]:
    """Return the desk of every part that has notes."""
    playing = sorted({note.part for note in performance.notes})
    return tuple(Desk(performance, part) for part in playing)


def read_as(player: Player, pitch: int) -> int:
    """Return the written pitch that a player reads for a sounding one."""
    return pitch - player.instrument.transposition.semitones

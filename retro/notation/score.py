"""The written insert as data: what stands on each stave, before any file format.

Conventions
-----------
Positions are quarter notes (`Fraction`) on insert time (bar 1 beat 1 of the insert is 0; count-in
bars lie before it and are not events). Pitches are sounding MIDI numbers in `Chord`; `Spelled`
is a written pitch. Note indexes point into `Performance.notes`.
"""

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from retro.model.instruments import Clef, Instrument
from retro.model.phrase import Key


@dataclass(frozen=True, slots=True, order=True)
class Spelled:
    """A written pitch: letter, alteration in semitones, octave (C4 is middle C)."""

    step: str
    alter: int
    octave: int


class Articulation(StrEnum):
    """Marks on one chord (names as in MusicXML where it has one)."""

    STACCATO = "staccato"
    TENUTO = "tenuto"
    ACCENT = "accent"
    STRONG_ACCENT = "strong-accent"
    STACCATISSIMO = "staccatissimo"
    DETACHED_LEGATO = "detached-legato"
    FERMATA = "fermata"
    BREATH = "breath-mark"
    TREMOLO = "tremolo"
    TRILL = "trill"
    ARPEGGIO_UP = "arpeggiate-up"
    ARPEGGIO_DOWN = "arpeggiate-down"
    LET_RING = "let-ring"


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """An articulation on the chord that begins at `at_beats`; `text` says more ("roll").

    A tremolo has as many `strokes` as the value of one repetition has flags; three are unmeasured
    too. A trill has its written `upper` note.
    """

    at_beats: Fraction
    kind: Articulation
    text: str = ""
    strokes: int = 3
    upper: Spelled | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Grace:
    """A small note behind a chord: its index into `Performance.notes` and its two pitches."""

    note: int
    pitch: int
    spelled: Spelled


@dataclass(frozen=True, slots=True, kw_only=True)
class Chord:
    """What one voice of one stave begins at one moment: a note or a chord, whole value before ties.

    Parameters
    ----------
    on_beats, off_beats
        Written span.
    pitches
        Sounding, ascending; not empty.
    notes
        Indexes into `Performance.notes`, one per pitch; the heads are named after them.
    spelled
        Written pitches for the player's transposition, one per pitch; empty where nobody reads
        them.
    more
        Where a tremolo, a trill or a glissando stands for many notes, the indexes of the others
        that each head stands for (see `retro.notation.ornaments`, `retro.notation.figures`).
    mark
        That tremolo or trill.
    graces
        Small notes that follow it, in the order in which they are played.
    """

    on_beats: Fraction
    off_beats: Fraction
    pitches: tuple[int, ...]
    notes: tuple[int, ...]
    spelled: tuple[Spelled, ...] = ()
    more: tuple[tuple[int, ...], ...] = ()
    mark: Mark | None = None
    graces: tuple[Grace, ...] = ()

    @property
    def all_notes(self) -> tuple[int, ...]:
        """Every note that the chord stands for, without its graces."""
        return (*self.notes, *(i for others in self.more for i in others))


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line from the chord that begins at one place to the chord that begins at another.

    `kind` is ``slur`` or ``glissando``.
    """

    kind: str
    start_beats: Fraction
    end_beats: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """A dynamic level such as ``mf``, printed below the stave."""

    at_beats: Fraction
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Hairpin:
    """A crescendo (or diminuendo) between two places, which may lie inside one note.

    A long one is said in words (`text`) and not drawn.
    """

    start_beats: Fraction
    end_beats: Fraction
    crescendo: bool
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Direction:
    """Words over (or under) the stave: release marks, playing advice.

    `is_general` words say the same to many players: the score prints them once. `is_release` words
    say when to let go: the score prints what a family shares once (`retro.notation.shared`).
    """

    at_beats: Fraction
    text: str
    above: bool = True
    is_general: bool = False
    is_release: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Voice:
    """One rhythm on one stave: chords in order that do not overlap, and what belongs to them."""

    chords: tuple[Chord, ...]
    marks: tuple[Mark, ...] = ()
    lines: tuple[Line, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Octave:
    """A line under which a stave sounds `octaves` higher than its heads stand (lower: negative)."""

    start_beats: Fraction
    end_beats: Fraction
    octaves: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Stave:
    """One stave of one part.

    Its voices, the upper one first, are one at least, which may be empty of chords; its clefs are
    (position, clef), the first at 0. Under ottava lines pitches are written as they sound without
    them.
    """

    voices: tuple[Voice, ...]
    clefs: tuple[tuple[Fraction, Clef], ...]
    octaves: tuple[Octave, ...] = ()

    @property
    def chords(self) -> tuple[Chord, ...]:
        """All that stands on it, voice by voice."""
        return tuple(chord for voice in self.voices for chord in voice.chords)


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenPart:
    """What one player (or desk, or section) finds on the stand.

    Parameters
    ----------
    name, abbreviation
        As printed: "Horn in F 1", "Hn. 1".
    part
        Index of the phrase's part that it comes from.
    keys
        (position, written key) for the player's transposition; the first at 0.
    staves
        One, or two for harp and keyboards (upper first).
    levels, hairpins, directions
        For the whole part.
    slides
        Glissandi that go from one voice or stave to another: indexes of their first and last notes.
    """

    name: str
    abbreviation: str
    instrument: Instrument
    part: int
    keys: tuple[tuple[Fraction, Key], ...]
    staves: tuple[Stave, ...]
    levels: tuple[Level, ...] = ()
    hairpins: tuple[Hairpin, ...] = ()
    directions: tuple[Direction, ...] = ()
    slides: tuple[tuple[int, int], ...] = ()

    @property
    def chords(self) -> tuple[Chord, ...]:
        """All that stands on its staves, stave by stave."""
        return tuple(chord for stave in self.staves for chord in stave.chords)

"""A phrase: notes, curves, markers, bars, keys and tempo over one window.

A whole song and the window cut out of it are the same kind of thing.

Conventions
-----------
Positions are quarter notes (`Fraction`) from the window's start, spans are half open, pitches are
sounding MIDI note numbers. Tuples are in a fixed order, so that equal phrases are equal objects.
"""

from dataclasses import dataclass, replace
from fractions import Fraction

from retro.model.latest import remembered
from retro.model.signs import Sign
from retro.model.tempo_words import TempoWord
from retro.model.time import Bar, Steps, TempoMap

PERCUSSION_CHANNEL = 9
"""The channel of drums, counted from 0 (General MIDI Level 1)."""

MELODIC_CHANNELS = tuple(channel for channel in range(16) if channel != PERCUSSION_CHANNEL)

MODULATION = 1
VOLUME = 7
EXPRESSION = 11
SUSTAIN_PEDAL = 64
PEDAL_DOWN = 64
"""From this value on a pedal is down (MIDI 1.0)."""

BEND_CENTRE = 0
"""Pitch bend at rest; the range is -8192 to 8191."""

MAX_STRAY_BEATS = Fraction(1, 8)
"""What is played by hand begins and ends beside the bar lines. A note of which less than this lies
in a window, and more outside, belongs to the bars beside it (our own choice: a 32nd, 60 ms at 120 a
minute, above the 30 to 50 ms of ensembles, Rasch 1979)."""


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Note:
    """A sounding note ``[on_beats, off_beats)``.

    Parameters
    ----------
    on_beats, off_beats
        Span of sound in quarter notes, a held pedal included; ``off_beats > on_beats``.
    pitch
        Sounding MIDI note number, 0 to 127.
    velocity
        MIDI velocity, 1 to 127.
    cut_before, cut_after
        Whether the window's edge cut the note's beginning or its end away.
    spelling
        Letter and accidentals of the sounding pitch as the composer wrote it, such as ``C#`` or
        ``Ebb`` (`retro.model.spelling`); empty where the file does not say.
    is_grace
        Whether the composer wrote it as a small note before another.
    """

    on_beats: Fraction
    pitch: int
    off_beats: Fraction
    velocity: int
    cut_before: bool = False
    cut_after: bool = False
    spelling: str = ""
    is_grace: bool = False

    @property
    def length_beats(self) -> Fraction:
        """Length in quarter notes."""
        return self.off_beats - self.on_beats


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What one track plays.

    Parameters
    ----------
    name
        Track name as the file states it; may be empty, and need not be unique.
    channel
        MIDI channel, 0 to 15; channel 9 is percussion by General MIDI.
    program
        General MIDI program at the window's start, 0 to 127, or None where the file states none.
    notes
        In `Note` order.
    controllers
        (controller number, value over the window), by number; only those that the track states.
    bend
        Pitch bend, -8192 to 8191, or None where the track bends nothing.
    bend_range_semitones
        Semitones at full bend (registered parameter 0); 2 where the file states none.
    signs
        What the composer wrote beside the notes, in `Sign` order; None where the file is of a kind
        that cannot say, such as MIDI.
    """

    name: str
    channel: int
    program: int | None
    notes: tuple[Note, ...]
    controllers: tuple[tuple[int, Steps[int]], ...] = ()
    bend: Steps[int] | None = None
    bend_range_semitones: Fraction = Fraction(2)
    signs: tuple[Sign, ...] | None = None

    def controller(self, number: int) -> Steps[int] | None:
        """Return one controller's curve, or None where the track states none."""
        return dict(self.controllers).get(number)


@dataclass(frozen=True, slots=True, order=True)
class Marker:
    """A named place."""

    at_beats: Fraction
    text: str


@dataclass(frozen=True, slots=True)
class Key:
    """A key signature: sharps (flats negative), and whether it is minor.

    One that `is_open` is none: nobody reads a signature, whoever transposes, and every accidental
    stands at its note.
    """

    sharps: int
    minor: bool = False
    is_open: bool = False


OPEN_KEY = Key(0, is_open=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Phrase:
    """Everything that sounds and is printed over one window.

    Parameters
    ----------
    title
        Name of the song.
    tempo, bars, keys, markers
        Over the window; the bars fill it without gaps.
    parts
        One per track and channel that has notes, in file order.
    tempo_words
        What the composer's words say of the tempo, in order; none where the file is MIDI.
    """

    title: str
    tempo: TempoMap
    bars: tuple[Bar, ...]
    keys: Steps[Key]
    markers: tuple[Marker, ...]
    parts: tuple[Part, ...]
    tempo_words: tuple[TempoWord, ...] = ()

    @property
    def length_beats(self) -> Fraction:
        """Length in quarter notes."""
        return self.tempo.length_beats

    @property
    def length_s(self) -> Fraction:
        """Length in seconds, exactly."""
        return self.tempo.length_s

    @remembered(2)
    def cut(self, start: Fraction, end: Fraction) -> "Phrase":
        """Return the window ``[start, end)`` on its own time; notes over its edges are clipped.

        A marker at the very end of the phrase belongs to the window that ends there. Strays belong
        to the bars beside the window, and are left out.
        """
        return replace(
            self,
            tempo=self.tempo.cut(start, end),
            bars=_cut_bars(self.bars, start, end),
            keys=self.keys.cut(start, end),
            markers=tuple(
                Marker(m.at_beats - start, m.text)
                for m in self.markers
                if start <= m.at_beats < end or m.at_beats == end == self.length_beats
            ),
            parts=tuple(_cut_part(part, start, end) for part in self.parts),
            tempo_words=tuple(filter(None, (word.cut(start, end) for word in self.tempo_words))),
        )

    def strays(self, start: Fraction, end: Fraction) -> tuple[int, ...]:
        """Return how many notes of each part a window leaves out that lie in it by a hair."""
        return tuple(sum(_is_stray(note, start, end) for note in part.notes) for part in self.parts)


def _is_stray(note: Note, start: Fraction, end: Fraction) -> bool:
    """Whether hardly any of a note lies in a window, and more of it outside."""
    inside = min(note.off_beats, end) - max(note.on_beats, start)
    return 0 < inside < min(MAX_STRAY_BEATS, note.length_beats / 2)


def _cut_bars(bars: tuple[Bar, ...], start: Fraction, end: Fraction) -> tuple[Bar, ...]:
    kept = []
    for count, bar in enumerate(bars, start=1):
        first, last = max(bar.start_beats, start), min(bar.end_beats, end)
        if first < last:
            into_beats = bar.into_beats + first - bar.start_beats
            number = count if bar.number is None else bar.number
            kept.append(Bar(first - start, last - first, bar.meter, into_beats, number))
    return tuple(kept)


def _cut_part(part: Part, start: Fraction, end: Fraction) -> Part:
    notes = [
        replace(
            note,
            on_beats=max(note.on_beats, start) - start,
            off_beats=min(note.off_beats, end) - start,
            cut_before=note.cut_before or note.on_beats < start,
            cut_after=note.cut_after or note.off_beats > end,
        )
        for note in part.notes
        if note.on_beats < end and note.off_beats > start and not _is_stray(note, start, end)
    ]
    return replace(
        part,
        notes=tuple(sorted(notes)),
        controllers=tuple((number, steps.cut(start, end)) for number, steps in part.controllers),
        bend=part.bend.cut(start, end) if part.bend else None,
        signs=part.signs and tuple(sorted(filter(None, (s.cut(start, end) for s in part.signs)))),
    )

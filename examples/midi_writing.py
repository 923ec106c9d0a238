"""What the scripts here write MIDI with: a small language for lines, curves, and files.

A line is words such as ``F#4:1.5 D4+F4:2 r:1``: pitches joined by ``+``, a colon, quarter notes;
``r`` rests; bar lines ``|`` are for the eye.
"""

import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import mido

TICKS = 480
"""Ticks a quarter note, as most exports have."""

STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}

WHOLE = Fraction(1)
"""Notes that are held to the end of their written length."""

Beats = Fraction | float | int
Event = tuple[list[int], Fraction, Fraction]


def pitch(name: str) -> int:
    """MIDI pitch of a name such as ``Bb3``; C4 is 60."""
    return STEPS[name[0]] + name.count("#") - name.count("b") + 12 * (int(name[-1]) + 1)


def ticks(beats: Beats) -> int:
    """Nearest tick."""
    return int(Fraction(beats) * TICKS + Fraction(1, 2))


def events(line: str) -> list[Event]:
    """Read a line: (pitches, start, length) in quarter notes; rests are left out."""
    found: list[Event] = []
    at = Fraction(0)
    for word in line.replace("|", " ").split():
        names, _, length = word.partition(":")
        beats = Fraction(length)
        if names != "r":
            found.append(([pitch(name) for name in names.split("+")], at, beats))
        at += beats
    return found


def length(line: str) -> Fraction:
    """Length of a line in quarter notes."""
    words = line.replace("|", " ").split()
    return sum((Fraction(word.partition(":")[2]) for word in words), Fraction(0))


@dataclass
class Track:
    """One track of a file, on one channel.

    Parameters
    ----------
    name, channel, program
        As the file states them; program counted from 0.
    chance
        What makes velocities (and hand-played times) uneven; seeded, so that files repeat.
    hand_ticks
        How far hand-played notes stray from the grid; 0 is quantised.
    """

    name: str
    channel: int
    program: int
    chance: random.Random
    hand_ticks: int = 0
    messages: list[tuple[int, int, mido.Message]] = field(default_factory=list)

    def add(self, tick: int, rank: int, kind: str, **values: int) -> None:
        """Add a message; of those on one tick the lower rank comes first."""
        self.messages.append((tick, rank, mido.Message(kind, channel=self.channel, **values)))

    def play(
        self,
        line: str | Iterable[Event],
        at: Beats,
        *,
        velocity: tuple[int, int],
        held: Fraction = Fraction(15, 16),
        roll_ticks: int = 0,
    ) -> None:
        """Play a line from a place on.

        Parameters
        ----------
        line
            See the module; or events as `events` gives them.
        at
            Where it begins, in quarter notes of the song.
        velocity
            From the first to the last note.
        held
            Share of the written length that sounds.
        roll_ticks
            Between the notes of a rolled chord, low to high.
        """
        found = events(line) if isinstance(line, str) else list(line)
        # A hand neither begins an entry before its bar nor lets its last note hang over.
        first_tick = ticks(Fraction(at) + found[0][1])
        last_tick = ticks(Fraction(at) + found[-1][1] + found[-1][2])
        for index, (pitches, start, beats) in enumerate(found):
            share = index / max(len(found) - 1, 1)
            level = velocity[0] + share * (velocity[1] - velocity[0])
            on_tick = ticks(Fraction(at) + start)
            off_tick = ticks(Fraction(at) + start + beats * held)
            for order, each in enumerate(sorted(pitches)):
                stray = self._stray()
                loud = max(1, min(127, round(level + self.chance.uniform(-3, 3))))
                on = max(on_tick + stray, first_tick) + order * roll_ticks
                off = max(min(off_tick + stray, last_tick), on + 30)
                self.add(on, 2, "note_on", note=each, velocity=loud)
                self.add(off, 0, "note_off", note=each, velocity=64)

    def _stray(self) -> int:
        """Return a hand's error; a mean of three is bell-shaped enough, and the same everywhere."""
        errors = [self.chance.randint(-self.hand_ticks, self.hand_ticks) for _ in range(3)]
        return sum(errors) // 3

    def control(self, number: int, at: Beats, value: int) -> None:
        """Set a controller."""
        self.add(ticks(at), 1, "control_change", control=number, value=value)

    def curve(
        self, number: int, start: Beats, end: Beats, values: tuple[int, int], *, bend: float = 1.0
    ) -> None:
        """Draw a controller from one value to another in eighths of a quarter note."""
        first, last = ticks(start), ticks(end)
        previous = None
        for tick in range(first, last + 1, TICKS // 8):
            share = ((tick - first) / (last - first)) ** bend
            value = round(values[0] + share * (values[1] - values[0]))
            if value != previous:
                self.add(tick, 1, "control_change", control=number, value=value)
            previous = value

    def pedal(self, start: Beats, end: Beats) -> None:
        """Hold the pedal over a span."""
        self.control(64, start, 127)
        self.control(64, end, 0)

    def written(self) -> mido.MidiTrack:
        """Return the track as it stands in the file."""
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=self.name)])
        track.append(mido.Message("program_change", channel=self.channel, program=self.program))
        return _timed(track, self.messages)


@dataclass
class Conductor:
    """The first track: title, tempo, meter, key, markers."""

    title: str
    messages: list[tuple[int, int, mido.MetaMessage]] = field(default_factory=list)

    @classmethod
    def opening(
        cls, title: str, key: str, bpm: float, meter: tuple[int, int] = (4, 4)
    ) -> "Conductor":
        """Return a first track that sets meter, key and tempo at the beginning."""
        conductor = cls(title)
        conductor.meter(0, *meter)
        conductor.add(0, "key_signature", key=key)
        conductor.tempo(0, bpm)
        return conductor

    def add(self, at: Beats, kind: str, **values: object) -> None:
        """Add a meta message."""
        self.messages.append((ticks(at), 0, mido.MetaMessage(kind, **values)))

    def tempo(self, at: Beats, bpm: float) -> None:
        """Set the tempo in quarter notes a minute."""
        self.add(at, "set_tempo", tempo=round(60_000_000 / bpm))

    def meter(self, at: Beats, numerator: int, denominator: int) -> None:
        """Set the meter."""
        self.add(at, "time_signature", numerator=numerator, denominator=denominator)

    def written(self) -> mido.MidiTrack:
        """Return the track as it stands in the file."""
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=self.title)])
        return _timed(track, self.messages)


def _timed(track: mido.MidiTrack, messages: Iterable[tuple[int, int, object]]) -> mido.MidiTrack:
    now = 0
    for tick, _, message in sorted(messages, key=lambda each: each[:2]):
        track.append(message.copy(time=tick - now))  # type: ignore[attr-defined]
        now = tick
    track.append(mido.MetaMessage("end_of_track"))
    return track


def save(path: Path, conductor: Conductor, tracks: Iterable[Track]) -> None:
    """Write a format 1 file."""
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS)
    file.tracks.append(conductor.written())
    file.tracks.extend(track.written() for track in tracks)
    file.save(path)


def run(make: Callable[[Path], None], folder: Path) -> None:
    """Write into a folder, made if need be."""
    folder.mkdir(parents=True, exist_ok=True)
    make(folder)

"""Songs made at random, and a clock of their own: bars, beats and seconds reckoned by hand.

Nothing here asks the program under test. A bar is counted in units of its meter's denominator from
1; a first bar that is short is counted up to its end, as a pick-up is. Before the song and after
it, bars of the end meters and the end tempos go on.
"""

import io
import random
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import mido

TICKS = 480
METERS = ((2, 4), (3, 4), (4, 4), (5, 4), (3, 8), (5, 8), (6, 8), (7, 8), (9, 8), (12, 8))


@dataclass(frozen=True)
class SongBar:
    """One bar: its number, its span in quarter notes, its meter, and how far into it it begins."""

    number: int
    start: Fraction
    end: Fraction
    numerator: int
    denominator: int
    into: Fraction = Fraction(0)

    @property
    def unit(self) -> Fraction:
        return Fraction(4, self.denominator)

    @property
    def full(self) -> Fraction:
        return self.numerator * self.unit

    @property
    def line(self) -> Fraction:
        return self.start - self.into

    def beat(self, at: Fraction) -> Fraction:
        return 1 + (at - self.line) / self.unit


@dataclass(frozen=True)
class Clock:
    """The time of a song: its bars, and (quarter note, microseconds a quarter) of every tempo."""

    bars: tuple[SongBar, ...]
    tempos: tuple[tuple[Fraction, int], ...]

    def seconds(self, at: Fraction) -> Fraction:
        total = Fraction(0)
        edges = [*(start for start, _ in self.tempos[1:]), max(at, self.tempos[-1][0])]
        for (start, us), end in zip(self.tempos, edges, strict=True):
            if at > start:
                total += (min(at, end) - start) * us
        return (total if at >= 0 else at * self.tempos[0][1]) / 10**6

    def quarters(self, seconds: Fraction) -> Fraction:
        """Walk the tempos until the seconds are used up."""
        left_us = seconds * 10**6
        for (start, us), (end, _) in pairwise(self.tempos):
            if left_us < (end - start) * us:
                return start + left_us / us
            left_us -= (end - start) * us
        start, us = self.tempos[-1]
        return start + left_us / us

    def place(self, at: Fraction) -> tuple[int, Fraction]:
        """Return bar and beat of a position; the bars go on at both ends of the song."""
        first, last = self.bars[0], self.bars[-1]
        if at < first.start:
            back = (at - first.line) // first.full
            return first.number + back, 1 + (at - first.line - back * first.full) / first.unit
        if at >= last.end:
            on = (at - last.line) // last.full
            return last.number + on, 1 + (at - last.line - on * last.full) / last.unit
        bar = next(bar for bar in self.bars if bar.start <= at < bar.end)
        return bar.number, bar.beat(at)

    def printed(self, at: Fraction, decimals: int) -> tuple[int, Fraction]:
        """Return bar and beat as they are printed: never the beat after a bar's last."""
        number, beat = self.place(at)
        bar = next((bar for bar in self.bars if bar.number == number), None)
        bar = bar or (self.bars[0] if number < self.bars[0].number else self.bars[-1])
        last = 1 + (bar.end - bar.line) / bar.unit if self.bars[0].start <= at < bar.end else None
        ends = last or 1 + bar.full / bar.unit
        if round(beat * 10**decimals) >= ends * 10**decimals:
            return number + 1, Fraction(1)
        return number, beat

    def pieces(self, start: Fraction, end: Fraction) -> list[tuple[SongBar, Fraction, Fraction]]:
        """Return the bars that a window touches, with the span of each that it holds."""
        return [
            (bar, max(bar.start, start), min(bar.end, end))
            for bar in self.bars
            if max(bar.start, start) < min(bar.end, end)
        ]


def beat_says(beat: Fraction) -> str:
    """Write a beat as pages do: to three decimals, without zeros at the end."""
    return f"{float(beat):.3f}".rstrip("0").rstrip(".")


@dataclass(frozen=True)
class Piece:
    """A bar of the insert, as it is to be printed: its span, its meter and its unit."""

    start: Fraction
    length: Fraction
    numerator: int
    denominator: int

    def beat(self, at: Fraction) -> Fraction:
        return 1 + (at - self.start) * self.denominator / 4


def turned_round(clock: Clock, start: Fraction, end: Fraction) -> list[Piece]:
    """Return the insert's bars: those of the window from its last to its first.

    A bar that is not whole stands under the meter that it fills, in the coarsest unit that counts
    both its length and where it is cut.
    """
    pieces = []
    for bar, first, last in reversed(clock.pieces(start, end)):
        denominator = bar.denominator
        if last - first != bar.full:
            while any(
                (span * denominator / 4).denominator != 1
                for span in (last - first, bar.line + bar.full - last)
            ):
                denominator *= 2
        count = (last - first) * denominator / 4
        pieces.append(Piece(end - last, last - first, int(count), denominator))
    return pieces


@dataclass(frozen=True)
class MadeSong:
    """A song, its file, and a window of it as settings name it."""

    clock: Clock
    data: bytes
    start: Fraction
    end: Fraction

    @property
    def names(self) -> tuple[str, str]:
        """Return both ends as settings write them: ``31.3+1/2``."""
        return tuple(self._name(at) for at in (self.start, self.end))  # type: ignore[return-value]

    def _name(self, at: Fraction) -> str:
        number, beat = self.clock.place(at)
        whole = int(beat)
        return f"{number}.{whole}" + (f"+{beat - whole}" if beat != whole else "")


def made_song(seed: int) -> MadeSong:
    """Make a song of 5 to 9 bars and a window of it whose ends mostly lie inside bars."""
    chance = random.Random(seed)
    bars = _bars(chance)
    end = bars[-1].end
    eighths = [Fraction(i, 2) for i in range(1, int(end * 2))]
    places = sorted(chance.sample(eighths, chance.randint(0, 4)))
    tempos = tuple((at, chance.randint(300_000, 1_100_000)) for at in (Fraction(0), *places))
    clock = Clock(bars, tempos)
    first, last = sorted(chance.sample(range(len(bars)), 2))
    start = _inside(chance, bars[first])
    stop = _inside(chance, bars[last])
    return MadeSong(clock, _file(chance, clock), start, max(stop, start + 1))


def _bars(chance: random.Random) -> tuple[SongBar, ...]:
    bars: list[SongBar] = []
    meter = chance.choice(METERS)
    at = Fraction(0)
    if chance.random() < 0.5:
        unit = Fraction(4, meter[1])
        length = chance.randint(1, meter[0] - 1) * unit
        bars.append(SongBar(1, at, length, *meter, into=meter[0] * unit - length))
        at = length
    for number in range(len(bars) + 1, chance.randint(6, 10)):
        if chance.random() < 0.4 and not (len(bars) == 1 and bars[0].into):
            meter = chance.choice(METERS)
        length = Fraction(4 * meter[0], meter[1])
        bars.append(SongBar(number, at, at + length, *meter))
        at += length
    return tuple(bars)


def _inside(chance: random.Random, bar: SongBar) -> Fraction:
    """Return a place in a bar: often on a beat, at times a half or a quarter of one later."""
    beats = int((bar.end - bar.start) / bar.unit)
    part = chance.choice((0, 0, 0, Fraction(1, 2), Fraction(1, 4), Fraction(3, 4)))
    return bar.start + (chance.randrange(beats) + part) * bar.unit


def _file(chance: random.Random, clock: Clock) -> bytes:
    """Write the song: horns and violins over all of it, on eighths."""
    events: list[tuple[Fraction, int, mido.MetaMessage]] = []
    before: tuple[int, int] | None = None
    was_short = False
    for bar in clock.bars:
        meter = (bar.numerator, bar.denominator)
        if meter != before or was_short:
            about = {"numerator": meter[0], "denominator": meter[1]}
            events.append((bar.start, 0, mido.MetaMessage("time_signature", **about)))
        before, was_short = meter, bar.into > 0
    events += [(at, 1, mido.MetaMessage("set_tempo", tempo=us)) for at, us in clock.tempos]
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS)
    file.tracks.append(_track([(at, rank, message) for at, rank, message in events], clock))
    for channel, (name, program, low) in enumerate((("Horn in F", 60, 50), ("Violins I", 48, 60))):
        notes = [
            (Fraction(0), 0, mido.MetaMessage("track_name", name=name)),
            (Fraction(0), 0, mido.Message("program_change", channel=channel, program=program)),
        ]
        at = Fraction(0)
        while at < clock.bars[-1].end:
            length = Fraction(chance.randint(1, 6), 2)
            pitch = low + chance.randrange(12)
            off = min(at + length, clock.bars[-1].end)
            about = {"channel": channel, "note": pitch, "velocity": chance.randint(50, 110)}
            notes.append((at, 2, mido.Message("note_on", **about)))
            notes.append((off, 1, mido.Message("note_off", channel=channel, note=pitch)))
            at = off + Fraction(chance.choice((0, 0, 0, 1)), 2)
        file.tracks.append(_track(notes, clock))
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


def _track(events: list[tuple[Fraction, int, mido.Message]], clock: Clock) -> mido.MidiTrack:
    track = mido.MidiTrack()
    tick = 0
    for at, _, message in sorted(events, key=lambda event: event[:2]):
        message.time = int(at * TICKS) - tick
        tick += message.time
        track.append(message)
    rest = int(clock.bars[-1].end * TICKS) - tick
    track.append(mido.MetaMessage("end_of_track", time=rest))
    return track

"""What a bank is asked to play for some parts: a Standard MIDI File on a clock of frames.

General MIDI says what controllers mean. Two things are added. A part that states no place in the
stereo picture sits where the preview's players sit. And where a part has modulation and neither
volume nor expression, retro takes modulation for intensity, so expression follows it.

Conventions
-----------
One tick is one frame at `BANK_RATE`. Times are seconds of the phrase's own clock; a file begins at
a block of the player, counted from that clock's zero. Messages are bytes: as a library's objects
they took more than half of the time that a file takes, and players wait for it.
"""

import functools
import struct
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import islice
from math import inf

from retro.model.instruments import Player
from retro.model.levels import modulation_amplitude
from retro.model.phrase import (
    EXPRESSION,
    MELODIC_CHANNELS,
    MODULATION,
    PERCUSSION_CHANNEL,
    SUSTAIN_PEDAL,
    VOLUME,
    Part,
)
from retro.model.time import TempoMap
from retro.render.seating import seat
from retro.sounds.bank import BANK_RATE, BLOCK_FRAMES, DRUM_BANK
from retro.sounds.presets import Preset
from retro.units import amplitude_to_db, db_to_amplitude, nearest, seconds_to_samples

PAN, REVERB, CHORUS, BANK_SELECT = 10, 91, 93, 0
NOTE_OFF, NOTE_ON, CONTROL_CHANGE, PROGRAM_CHANGE, PITCH_BEND = 0x80, 0x90, 0xB0, 0xC0, 0xE0
"""Status bytes, their channels not yet in them (MIDI 1.0)."""

NOTE_OFF_VELOCITY = 64
BEND_MIDDLE = 8192
TICKS_PER_QUARTER = 24_000
US_PER_QUARTER = TICKS_PER_QUARTER * 1_000_000 // BANK_RATE
SETUP, CONTROL, OFF, ON = range(4)

Event = tuple[int, int, bytes]
"""Tick, place in the order at one tick, message."""


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Stroke:
    """A note that is played from `on_s` to `off_s`."""

    on_s: float
    off_s: float
    pitch: int
    velocity: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """What one player plays.

    Parameters
    ----------
    part
        Gives controllers and bend; pedals are left out, for strokes last as long as they sound.
    player
        Who plays it.
    strokes
        What is played.
    """

    part: Part
    player: Player
    strokes: Sequence[Stroke]

    @property
    def preset(self) -> Preset:
        """What of a bank plays it."""
        return Preset.of(self.player, self.part)


def lines_midi(lines: Sequence[Line], tempo: TempoMap, *, first_block: int, end_s: float) -> bytes:
    """Return a Standard MIDI File of some lines, each on channels of its own.

    Parameters
    ----------
    lines
        One drum kit at most, and as many others as there are channels.
    tempo
        Clock of the parts' curves.
    first_block
        Where the file begins on that clock, in blocks of the player.
    end_s
        Where it ends.
    """
    begin = first_block * BLOCK_FRAMES
    end = seconds_to_samples(end_s, BANK_RATE) - begin
    # Parts and their controllers often change together.
    tick_at = functools.cache(lambda beats: _tick(float(tempo.seconds_at(beats)), begin))
    events: list[Event] = []
    free = iter(MELODIC_CHANNELS)
    spare = len(MELODIC_CHANNELS) - len(lines)
    for line in lines:
        layers = _layers(line.strokes)
        is_kit = line.preset.bank == DRUM_BANK
        more = 0 if is_kit else min(len(layers) - 1, spare)
        spare -= more
        channels = [PERCUSSION_CHANNEL] if is_kit else [*islice(free, 1 + more)]
        for channel in channels:
            events += set_up(channel, line.preset, line.part.bend_range_semitones)
            events += _curve_events(line, channel, tick_at, end)
        for index, layer in enumerate(layers):
            events += _notes(layer, channels[index % len(channels)], begin)
    return smf(events, end)


def _curve_events(
    line: Line, channel: int, tick_at: Callable[[Fraction], int], end: int
) -> Iterator[Event]:
    for number, changes in _curves(line.part, line.player):
        for tick, value in _within(changes, tick_at, end):
            yield tick, CONTROL, bytes((CONTROL_CHANGE | channel, number, value))
    bend = line.part.bend
    bends = [(start, value) for start, _, value in bend.spans()] if bend is not None else []
    for tick, value in _within(bends, tick_at, end):
        coarse, fine = divmod(value + BEND_MIDDLE, 128)
        yield tick, CONTROL, bytes((PITCH_BEND | channel, fine, coarse))


def _within(
    changes: Sequence[tuple[Fraction | None, int]], tick_at: Callable[[Fraction], int], end: int
) -> Iterator[tuple[int, int]]:
    """Yield changes by their ticks: the one that holds where a file begins, and those in it."""

    def tick_of(change: tuple[Fraction | None, int]) -> int:
        return 0 if change[0] is None else tick_at(change[0])

    first = max(bisect_right(changes, 0, key=tick_of) - 1, 0)
    last = bisect_left(changes, end, first, key=tick_of)
    yield from ((tick_of(change), change[1]) for change in changes[first:last])


def smf(events: Iterable[Event], end_tick: int) -> bytes:
    """Return a Standard MIDI File of one track whose ticks are frames at `BANK_RATE`."""
    track = bytearray(b"\x00\xff\x51\x03" + US_PER_QUARTER.to_bytes(3))
    tick = 0
    for at, _, message in sorted(events, key=lambda event: event[:2]):
        track += _variable_length(at - tick)
        track += message
        tick = at
    track += _variable_length(max(end_tick - tick, 0)) + b"\xff\x2f\x00"
    head = b"MThd" + struct.pack(">IHHH", 6, 1, 1, TICKS_PER_QUARTER)
    return head + b"MTrk" + struct.pack(">I", len(track)) + bytes(track)


def _variable_length(number: int) -> bytes:
    """Return a number in groups of seven bits, all but the last marked."""
    groups = [number & 0x7F]
    while number := number >> 7:
        groups.append(number & 0x7F | 0x80)
    return bytes(reversed(groups))


def _tick(seconds: float, begin: int) -> int:
    """Return the middle of the block that a time falls into, counted from frame `begin`.

    The player takes note of it at the next block. On the border of two blocks it would depend on
    its arithmetic at which of them, and so on where the file begins.
    """
    block = (seconds_to_samples(seconds, BANK_RATE) - begin) // BLOCK_FRAMES
    return max(block * BLOCK_FRAMES + BLOCK_FRAMES // 2, 0)


def set_up(
    channel: int, preset: Preset, bend_range_semitones: Fraction = Fraction(2)
) -> Iterator[Event]:
    """Yield bank and program, no effects of the player's own, and the range of the bend."""
    if preset.bank != DRUM_BANK:
        yield _control(channel, BANK_SELECT, preset.bank)
    yield 0, SETUP, bytes((PROGRAM_CHANGE | channel, preset.program))
    semitones, cents = divmod(nearest(bend_range_semitones * 100), 100)
    values = ((REVERB, 0), (CHORUS, 0), (101, 0), (100, 0), (6, semitones), (38, cents))
    for number, value in values:
        yield _control(channel, number, value)


def _control(channel: int, number: int, value: int) -> Event:
    return 0, SETUP, bytes((CONTROL_CHANGE | channel, number, value))


def strike(channel: int, pitch: int, velocity: int, on: int, off: int) -> Iterator[Event]:
    """Yield the two messages of a note."""
    yield on, ON, bytes((NOTE_ON | channel, pitch, velocity))
    yield off, OFF, bytes((NOTE_OFF | channel, pitch, NOTE_OFF_VELOCITY))


def _curves(part: Part, player: Player) -> Iterator[tuple[int, list[tuple[Fraction | None, int]]]]:
    """Yield controllers and where they change, None for the file's start."""
    stated = {
        number: [(start, value) for start, _, value in steps.spans()]
        for number, steps in part.controllers
        if number not in (SUSTAIN_PEDAL, REVERB, CHORUS, BANK_SELECT)
    }
    for number, changes in stated.items():
        first = changes[0][1]
        yield number, [(None, first), *changes[1:]]
    if PAN not in stated:
        yield PAN, [(None, min(max(nearest(64 + 63 * seat(player)), 0), 127))]
    if MODULATION in stated and not stated.keys() & {VOLUME, EXPRESSION}:
        changes = stated[MODULATION]
        followed = [(start, _as_expression(value)) for start, value in changes]
        yield EXPRESSION, [(None, followed[0][1]), *followed[1:]]


def _as_expression(modulation: int) -> int:
    """Return the expression value that is as loud as a modulation value that means intensity."""
    loudness_db = amplitude_to_db(modulation_amplitude(modulation))
    return min(max(nearest(127.0 * db_to_amplitude(0.5 * loudness_db)), 1), 127)


def _layers(strokes: Sequence[Stroke]) -> list[list[Stroke]]:
    """Deal strokes into layers in none of which a pitch is struck while it sounds."""
    layers: list[list[Stroke]] = []
    free_from: list[dict[int, float]] = []
    for stroke in sorted(strokes):
        free = (i for i, at in enumerate(free_from) if at.get(stroke.pitch, -inf) <= stroke.on_s)
        index = next(free, len(layers))
        if index == len(layers):
            layers.append([])
            free_from.append({})
        layers[index].append(stroke)
        free_from[index][stroke.pitch] = stroke.off_s
    return layers


def _notes(strokes: Sequence[Stroke], channel: int, begin: int) -> Iterator[Event]:
    for stroke in strokes:
        on = _tick(stroke.on_s, begin)
        off = max(_tick(stroke.off_s, begin), on + BLOCK_FRAMES)
        yield from strike(channel, stroke.pitch, stroke.velocity, on, off)

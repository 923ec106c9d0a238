"""Standard MIDI Files from tracks and time.

Conventions
-----------
Format 1: the first track holds tempo, meters, keys and markers. Positions are quarter notes from
the file's start, ticks are the nearest. Names are UTF-8. At one tick, notes end before notes begin,
so that whoever pairs them first in first out gets the stated spans back.
"""

import io
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import mido

from retro.model.phrase import Note, Part, Phrase
from retro.model.time import Bar, Meter
from retro.render.channels import dealt_to_files
from retro.units import beats_to_ticks, nearest

MAX_TICKS_PER_QUARTER = 32_767
"""The header has 15 bits for it (Standard MIDI Files 1.0)."""

FINE_TICKS_PER_QUARTER = 960
"""Ticks a quarter note that are fine enough for players: about 0.5 ms at 120 a minute."""

CLOCKS_PER_QUARTER = 24
"""MIDI clocks a quarter note, in which a time signature states its beat (Standard MIDI Files)."""

TEXT_NAME, TEXT_MARKER, KEY_SIGNATURE = 0x03, 0x06, 0x59
RPN_HIGH, RPN_LOW, DATA_HIGH, DATA_LOW = 101, 100, 6, 38

FIRST, SETUP, CONTROL, OFF, ON = range(5)
"""Order of events at one tick."""

Event = tuple[int, int, mido.Message]
"""Tick, place in the order at one tick, message."""


def ticks_for(source_ticks_per_quarter: int) -> int:
    """Return ticks a quarter note on which every tick of the source lies, as fine as players need.

    Common divisions of the beat are exact too, where the header has room for that.
    """
    shared = math.lcm(source_ticks_per_quarter, FINE_TICKS_PER_QUARTER)
    if shared <= MAX_TICKS_PER_QUARTER:
        return shared
    times = math.ceil(Fraction(FINE_TICKS_PER_QUARTER, source_ticks_per_quarter))
    return source_ticks_per_quarter * times


def smf_files(phrase: Phrase, *, ticks_per_quarter: int) -> tuple[bytes, ...]:
    """Return the bytes of format 1 files; the same input gives the same bytes.

    There is one file unless the parts are more sounds than it has channels: see
    `retro.render.channels`. All begin and end together, with the same time. A note that lies inside
    another one of its pitch cannot be told apart on one track. It goes to a further track, on a
    channel of its own.

    Parameters
    ----------
    phrase
        Its parts in file order, their notes in any order, at or after 0; a note is written at
        least one tick long. A bar that is shorter than its meter says ends at the next time
        signature, so one follows it, at the end of the file too.
    ticks_per_quarter
        1 to 32767; see `ticks_for`.
    """
    parts = tuple(_without_nesting(phrase.parts, ticks_per_quarter))
    return tuple(_file(phrase, [own], ticks_per_quarter) for own in dealt_to_files(parts))


def smf_bytes(phrase: Phrase, *, ticks_per_quarter: int) -> bytes:
    """Return the bytes of one file; else as `smf_files`.

    Parts for which it has no channels lie on further ports, by a meta event of their tracks.
    """
    parts = tuple(_without_nesting(phrase.parts, ticks_per_quarter))
    return _file(phrase, dealt_to_files(parts), ticks_per_quarter)


def _file(phrase: Phrase, ports: Sequence[Sequence[Part]], ticks_per_quarter: int) -> bytes:
    end_tick = beats_to_ticks(phrase.length_beats, ticks_per_quarter)
    file = mido.MidiFile(type=1, ticks_per_beat=ticks_per_quarter)
    file.tracks.append(_track(_conductor(phrase, ticks_per_quarter), end_tick))
    for port, parts in enumerate(ports):
        on_port = [mido.MetaMessage("midi_port", port=port)] if len(ports) > 1 else []
        for part in parts:
            track = _track(_part_events(part, ticks_per_quarter), end_tick)
            file.tracks.append(mido.MidiTrack([*on_port, *track]))
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


def _track(events: Iterable[Event], end_tick: int) -> mido.MidiTrack:
    """Return a track of events at absolute ticks; it lasts to its last event or to `end_tick`."""
    track = mido.MidiTrack()
    tick = 0
    for at, _, message in sorted(events, key=lambda event: event[:2]):
        message.time = at - tick
        track.append(message)
        tick = at
    track.append(mido.MetaMessage("end_of_track", time=max(end_tick - tick, 0)))
    return track


def _text(number: int, text: str) -> mido.UnknownMetaMessage:
    """Return a text event in UTF-8, without mido's global character set."""
    return mido.UnknownMetaMessage(number, data=text.encode("utf-8", "replace"))


def _conductor(phrase: Phrase, ticks_per_quarter: int) -> Iterator[Event]:
    if phrase.title:
        yield 0, FIRST, _text(TEXT_NAME, phrase.title)
    for start, meter in _meter_changes(phrase.bars):
        yield beats_to_ticks(start, ticks_per_quarter), SETUP, _time_signature(meter)
    for start, _, key in phrase.keys.spans():
        if key.is_open:
            continue
        data = (key.sharps % 256, int(key.minor))
        message = mido.UnknownMetaMessage(KEY_SIGNATURE, data=data)
        yield beats_to_ticks(start, ticks_per_quarter), SETUP, message
    for start, _, us_per_quarter in phrase.tempo.us_per_quarter.spans():
        message = mido.MetaMessage("set_tempo", tempo=us_per_quarter)
        yield beats_to_ticks(start, ticks_per_quarter), SETUP, message
    for marker in phrase.markers:
        at = beats_to_ticks(marker.at_beats, ticks_per_quarter)
        yield at, CONTROL, _text(TEXT_MARKER, marker.text)


def _meter_changes(bars: Sequence[Bar]) -> Iterator[tuple[Fraction, Meter]]:
    """Yield every place where a reader has to be told the meter, or that a new bar begins."""
    meter: Meter | None = None
    is_full = True
    for bar in bars:
        if str(bar.meter) != str(meter) or not is_full:
            yield bar.start_beats, bar.meter
        meter, is_full = bar.meter, bar.is_full
    if not is_full:
        yield bars[-1].end_beats, bars[-1].meter


def _time_signature(meter: Meter) -> mido.MetaMessage:
    clocks = nearest(meter.groups[0] * meter.unit_beats * CLOCKS_PER_QUARTER)
    return mido.MetaMessage(
        "time_signature",
        numerator=meter.numerator,
        denominator=meter.denominator,
        clocks_per_click=min(max(clocks, 1), 255),
    )


def _part_events(part: Part, ticks_per_quarter: int) -> Iterator[Event]:
    if part.name:
        yield 0, FIRST, _text(TEXT_NAME, part.name)
    for message in _setup(part):
        yield 0, SETUP, message
    for number, steps in part.controllers:
        for start, _, value in steps.spans():
            message = _unchecked(
                "control_change", channel=part.channel, control=number, value=value
            )
            yield beats_to_ticks(start, ticks_per_quarter), CONTROL, message
    if part.bend is not None:
        for start, _, value in part.bend.spans():
            message = _unchecked("pitchwheel", channel=part.channel, pitch=value)
            yield beats_to_ticks(start, ticks_per_quarter), CONTROL, message
    for note in _in_ticks(part.notes, ticks_per_quarter):
        about = {"channel": part.channel, "note": note.pitch}
        yield note.on, ON, mido.Message("note_on", velocity=note.velocity, **about)
        yield note.off, OFF, mido.Message("note_off", velocity=64, **about)


def _unchecked(kind: str, **about: int) -> mido.Message:
    """Return a message of a curve, whose values are in range: checks take twice its time."""
    return mido.Message(kind, skip_checks=True, **about)


def _setup(part: Part) -> Iterator[mido.Message]:
    if part.program is not None:
        yield mido.Message("program_change", channel=part.channel, program=part.program)
    if part.bend is None and part.bend_range_semitones == 2:
        return
    semitones, cents = divmod(nearest(part.bend_range_semitones * 100), 100)
    values = ((RPN_HIGH, 0), (RPN_LOW, 0), (DATA_HIGH, semitones), (DATA_LOW, cents))
    for number, value in (*values, (RPN_HIGH, 127), (RPN_LOW, 127)):
        yield mido.Message("control_change", channel=part.channel, control=number, value=value)


def _without_nesting(parts: Sequence[Part], ticks_per_quarter: int) -> Iterator[Part]:
    """Yield parts in which no note lies inside another one of its pitch."""
    for part in parts:
        layers = _layers(part.notes, ticks_per_quarter)
        yield replace(part, notes=layers[0])
        for number, layer in enumerate(layers[1:], start=2):
            yield replace(part, name=f"{part.name} ({number})", notes=layer)


def _layers(notes: tuple[Note, ...], ticks_per_quarter: int) -> list[tuple[Note, ...]]:
    """Deal notes into layers in which, for each pitch, who begins first ends first."""
    layers: list[list[Note]] = [[]]
    last_offs: list[dict[int, int]] = [{}]
    for note in _in_ticks(notes, ticks_per_quarter):
        index = 0
        while last_offs[index].get(note.pitch, 0) > note.off:
            index += 1
            if index == len(layers):
                layers.append([])
                last_offs.append({})
        layers[index].append(note.note)
        last_offs[index][note.pitch] = note.off
    return [tuple(layer) for layer in layers]


@dataclass(frozen=True, slots=True, order=True)
class _InTicks:
    on: int
    off: int
    pitch: int
    velocity: int
    note: Note


def _in_ticks(notes: Iterable[Note], ticks_per_quarter: int) -> list[_InTicks]:
    spans = []
    for note in notes:
        on = beats_to_ticks(note.on_beats, ticks_per_quarter)
        off = max(beats_to_ticks(note.off_beats, ticks_per_quarter), on + 1)
        spans.append(_InTicks(on, off, note.pitch, note.velocity, note))
    return sorted(spans)

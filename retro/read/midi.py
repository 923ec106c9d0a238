"""Standard MIDI Files become songs.

Conventions
-----------
Ticks are the file's own and absolute; beats are quarter notes from the file's start. Where tracks
disagree about tempo, meter or key at one place, the first track wins (it holds the tempo map,
Standard MIDI Files 1.0). The state of a channel belongs to a track: programs that export every
track on channel 1 mean different players. Tracks without notes speak for all tracks on their port
and channels that say nothing themselves.
"""

import hashlib
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

from retro.errors import LimitError, MidiError
from retro.model.performance import Finding, Severity
from retro.model.phrase import (
    BEND_CENTRE,
    EXPRESSION,
    MODULATION,
    OPEN_KEY,
    SUSTAIN_PEDAL,
    VOLUME,
    Key,
    Marker,
    Note,
    Part,
    Phrase,
)
from retro.model.settings import BeatGroups
from retro.model.time import Meter, Steps, TempoMap
from retro.read.bar_lines import bars_of, grouped, on_bar_lines
from retro.read.charset import as_line, decode_text
from retro.read.hand_tracks import joined_hands
from retro.read.pairing import RESET_CONTROLLERS, Pairing, RawNote
from retro.read.smf import Channel, Meta, Smf, Track, notice, read_smf
from retro.read.song import (
    MAX_CHANGES,
    MAX_LENGTH_S,
    MAX_NAME,
    MAX_NOTES,
    MAX_PARTS,
    Song,
    without_suffix,
)
from retro.units import DEFAULT_US_PER_QUARTER, ticks_to_beats

BREATH = 2

STARTING_VALUES = {MODULATION: 0, BREATH: 127, VOLUME: 100, EXPRESSION: 127, SUSTAIN_PEDAL: 0}
"""Controllers that are kept, and what holds until the file says otherwise (MIDI RP-015 and General
MIDI, from memory; breath: as if blown fully)."""

RESET_VALUES = {MODULATION: 0, EXPRESSION: 127, SUSTAIN_PEDAL: 0}
"""What the message that resets all controllers sets (MIDI RP-015, from memory)."""

RPN_HIGH, RPN_LOW, DATA_HIGH, DATA_LOW = 101, 100, 6, 38
NRPN_NUMBERS = (98, 99)

TEXT_NAME, TEXT_INSTRUMENT, TEXT_MARKER, TEXT_CUE = 0x03, 0x04, 0x06, 0x07
CHANNEL_PREFIX, MIDI_PORT = 0x20, 0x21
TEMPO, TIME_SIGNATURE, KEY_SIGNATURE = 0x51, 0x58, 0x59

MAX_DENOMINATOR_POWER = 7
"""The shortest unit that a meter may count is a 128th."""

NO_TITLES = ("", "conductor", "conductor track", "master track", "tempo", "tempo track",
             "tempo map", "untitled")  # fmt: skip
"""Names of the first track, in lower case, that are not the name of a song."""

NUMBERED_TRACK = re.compile(r"(midi|midi track|track|spur|piste|pista|traccia|spår)[ _-]?\d+")
"""What programs call a track that nobody has named, in lower case."""


def read_song_bytes(data: bytes, name: str, *, meter_groups: tuple[BeatGroups, ...] = ()) -> Song:
    """Read the bytes of a Standard MIDI File: format 0 or 1, bare or in a RIFF wrapper.

    `meter_groups` replace the usual grouping.

    Raises
    ------
    MidiError
        Where it is not a MIDI file that can be used.
    LimitError
        Where it is larger than the stated limits.
    """
    smf = read_smf(data, name)
    reading = _Reading(smf, name, meter_groups)
    phrase = reading.phrase()
    return Song(
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        ticks_per_quarter=smf.ticks_per_quarter,
        phrase=phrase,
        notices=(*smf.notices, *reading.notices),
    )


@dataclass(slots=True, kw_only=True)
class _TrackChannel:
    """What one track says on one channel, `names` by the number of the meta event."""

    track: int
    channel: int
    port: int | None
    end_tick: int
    messages: list[Channel] = field(default_factory=list)
    names: dict[int, str] = field(default_factory=dict)

    @property
    def has_notes(self) -> bool:
        return any(m.type == "note_on" and m.value for m in self.messages)


class _Reading:
    """Builds the phrase of one file and gathers what a person should know about it."""

    def __init__(self, smf: Smf, name: str, groups: Sequence[BeatGroups]) -> None:
        self.smf = smf
        self.name = name
        self.groups = groups
        self.notices: list[Finding] = []
        track_channels, self.track_names = _track_channels(smf)
        self.track_channels = [one for one in track_channels if one.has_notes]
        if not self.track_channels:
            raise MidiError("the file holds no notes", where=name)
        if len(self.track_channels) > MAX_PARTS:
            raise LimitError(f"{len(self.track_channels)} parts, more than {MAX_PARTS}", where=name)
        _share(self.track_channels, [one for one in track_channels if not one.has_notes])

    def phrase(self) -> Phrase:
        struck = self._struck()
        markers = self._markers()
        sounding = max(note.off or note.on + 1 for notes in struck for note in notes)
        last = max((self._beats(sounding), *(marker.at_beats for marker in markers)))
        bars = bars_of(self._meters(), last, self.name)
        length = bars[-1].end_beats
        tempo = TempoMap(self._tempo(length))
        if tempo.length_s > MAX_LENGTH_S:
            raise LimitError(f"lasts more than {MAX_LENGTH_S // 3600} hours", where=self.name)
        self._close(struck, length)
        parts, joined = joined_hands(
            [self._part(*each, length) for each in zip(self.track_channels, struck, strict=True)],
            [one.port for one in self.track_channels],
        )
        for name in joined:
            self._say(f"two tracks of '{name}' are the two hands of one player")
        return Phrase(
            title=self._title(),
            tempo=tempo,
            bars=bars,
            keys=self._keys(length),
            markers=markers,
            parts=parts,
        )

    def _beats(self, tick: int) -> Fraction:
        return ticks_to_beats(tick * self.smf.tick_units, self.smf.ticks_per_quarter)

    def _say(self, what: str, *, severity: Severity = Severity.NOTE, advice: str = "") -> None:
        self.notices.append(notice(what, severity=severity, advice=advice))

    def _struck(self) -> list[list[RawNote]]:
        """Return the notes of every channel of a track, in ticks."""
        pairings = []
        count = 0
        for one in self.track_channels:
            pairing = Pairing()
            for message in one.messages:
                pairing.take(message)
            pairing.finish()
            count += len(pairing.notes)
            if count > MAX_NOTES:
                raise LimitError(f"holds more than {MAX_NOTES} notes", where=self.name)
            pairings.append(pairing)
        if strays := sum(pairing.stray_offs for pairing in pairings):
            self._say(f"note-offs that end no note were left out: {strays}")
        if shorts := sum(pairing.no_length for pairing in pairings):
            self._say(f"notes of no length were given one tick: {shorts}")
        return [pairing.notes for pairing in pairings]

    def _close(self, struck: list[list[RawNote]], length: Fraction) -> None:
        """End what nothing ends: at the track's end, but within the song."""
        song_end = math.floor(length * self.smf.ticks_per_quarter / self.smf.tick_units)
        for one, notes in zip(self.track_channels, struck, strict=True):
            hanging = [note for note in notes if note.off is None]
            for note in hanging:
                note.off = max(min(one.end_tick, song_end), note.on + 1)
            if hanging:
                self._say(
                    f"{self._told(one)}: notes that never end were closed with the track: "
                    f"{len(hanging)}",
                    severity=Severity.WARN,
                    advice="look at their lengths",
                )

    def _metas(self, *numbers: int) -> list[Meta]:
        """Return the meta events of all tracks by time.

        Of several at one tick, the first track's last one comes last.
        """
        metas = [
            event
            for track in reversed(self.smf.tracks)
            for event in track.events
            if isinstance(event, Meta) and event.number in numbers
        ]
        if len(metas) > MAX_CHANGES:
            raise LimitError(
                f"more than {MAX_CHANGES} tempos, meters, keys or markers", where=self.name
            )
        return sorted(metas, key=lambda meta: meta.tick)

    def _tempo(self, length: Fraction) -> Steps[int]:
        if self.smf.us_per_quarter is not None:
            return Steps.from_changes((), length=length, before=self.smf.us_per_quarter)
        changes = []
        for meta in self._metas(TEMPO):
            us_per_quarter = int.from_bytes(meta.data[:3])
            if len(meta.data) >= 3 and us_per_quarter:
                changes.append((self._beats(meta.tick), us_per_quarter))
            else:
                self._say(f"a tempo without a value at tick {meta.tick} was left out")
        return Steps.from_changes(changes, length=length, before=DEFAULT_US_PER_QUARTER)

    def _meters(self) -> dict[Fraction, Meter]:
        meters = {Fraction(0): grouped(Meter.plain(4, 4), self.groups)}
        for meta in self._metas(TIME_SIGNATURE):
            numerator, power = (*meta.data[:2], 0, 0)[:2]
            if len(meta.data) >= 2 and numerator and power <= MAX_DENOMINATOR_POWER:
                plain = Meter.plain(numerator, 2**power)
                meters[self._beats(meta.tick)] = grouped(plain, self.groups)
            else:
                self._say(f"a meter that means nothing at tick {meta.tick} was left out")
        placed, moved = on_bar_lines(meters)
        for at in moved:
            tick = at * self.smf.ticks_per_quarter / self.smf.tick_units
            self._say(f"the {meters[at]} at tick {tick} is near a bar line and was taken as on it")
        return placed

    def _keys(self, length: Fraction) -> Steps[Key]:
        changes = []
        for meta in self._metas(KEY_SIGNATURE):
            sharps = int.from_bytes(meta.data[:1], signed=True)
            if len(meta.data) >= 2 and abs(sharps) <= 7 and meta.data[1] <= 1:
                changes.append((self._beats(meta.tick), Key(sharps, bool(meta.data[1]))))
            else:
                self._say(f"a key signature that means nothing at tick {meta.tick} was left out")
        before = Key(0) if changes else OPEN_KEY
        return Steps.from_changes(changes, length=length, before=before)

    def _markers(self) -> tuple[Marker, ...]:
        markers = {
            Marker(self._beats(meta.tick), _name(meta.data))
            for meta in self._metas(TEXT_MARKER, TEXT_CUE)
        }
        return tuple(sorted(marker for marker in markers if marker.text))

    def _title(self) -> str:
        """Return the name of the song: the first track's, where that is not a player's."""
        name = self.track_names[0].get(TEXT_NAME, "")
        is_players = self.smf.format == 1 and any(one.track == 0 for one in self.track_channels)
        is_none = is_players or name.lower() in NO_TITLES or NUMBERED_TRACK.fullmatch(name.lower())
        return as_line(Path(self.name).stem) if is_none else without_suffix(name)

    def _part_name(self, one: _TrackChannel) -> str:
        if own := one.names.get(TEXT_NAME) or one.names.get(TEXT_INSTRUMENT):
            return own
        names = self.track_names[one.track]
        if sum(other.track == one.track for other in self.track_channels) == 1:
            return names.get(TEXT_NAME) or names.get(TEXT_INSTRUMENT) or ""
        channel = f"channel {one.channel + 1}"
        name = names.get(TEXT_NAME) if self.smf.format == 1 else None
        return f"{name} ({channel})" if name else channel.capitalize()

    def _told(self, one: _TrackChannel) -> str:
        """Name a track as lists of tracks do; their numbers pass over tracks without notes."""
        name = self._part_name(one)
        return f"track '{name}'" if name else f"a track without a name, channel {one.channel + 1}"

    def _part(self, one: _TrackChannel, struck: Sequence[RawNote], length: Fraction) -> Part:
        bends = _bends(one)
        in_order = sorted(struck, key=lambda note: (note.on, note.pitch, note.off, note.velocity))
        notes = tuple(
            Note(
                on_beats=self._beats(note.on),
                off_beats=self._beats(note.off or note.on + 1),
                pitch=note.pitch,
                velocity=note.velocity,
            )
            for note in in_order
        )
        return Part(
            name=self._part_name(one),
            channel=one.channel,
            program=self._program(one, struck[0].on),
            notes=notes,
            controllers=tuple(
                (number, self._steps(changes, STARTING_VALUES[number], length))
                for number, changes in _controls(one)
            ),
            bend=self._steps(bends, BEND_CENTRE, length) if bends else None,
            bend_range_semitones=_bend_range(one.messages),
        )

    def _steps(
        self, changes: Sequence[tuple[int, int]], before: int, length: Fraction
    ) -> Steps[int]:
        return Steps.from_changes(changes, length=length, before=before, beats=self._beats)

    def _program(self, one: _TrackChannel, first_tick: int) -> int | None:
        """Return the program under the first note."""
        programs = [m for m in one.messages if m.type == "program_change"]
        if not programs:
            return None
        before = [message for message in programs if message.tick <= first_tick]
        program = (before[-1:] or programs[:1])[0].number
        later = [m for m in programs if m.tick > first_tick and m.number != program]
        if later:
            self._say(
                f"{self._told(one)}: later program changes were left out: {len(later)}",
                severity=Severity.WARN,
                advice="give each sound a track of its own if they are different players",
            )
        return program


def _name(data: bytes) -> str:
    return as_line(decode_text(data))[:MAX_NAME].strip()


def _track_channels(smf: Smf) -> tuple[list[_TrackChannel], list[dict[int, str]]]:
    """Sort the events by track and channel; names that a channel prefix gives go with it."""
    track_channels: dict[tuple[int, int], _TrackChannel] = {}
    track_names: list[dict[int, str]] = []
    for index, track in enumerate(smf.tracks):
        names: dict[int, str] = {}
        prefixed: dict[int, dict[int, str]] = {}
        prefix: int | None = None
        port = _port(track)
        for event in track.events:
            if isinstance(event, Channel):
                prefix = None
                key = index, event.channel
                if key not in track_channels:
                    track_channels[key] = _TrackChannel(
                        track=index, channel=event.channel, port=port, end_tick=track.end_tick
                    )
                track_channels[key].messages.append(event)
            elif event.number == CHANNEL_PREFIX:
                prefix = int.from_bytes(event.data[:1])
            elif event.number in (TEXT_NAME, TEXT_INSTRUMENT):
                named = names if prefix is None else prefixed.setdefault(prefix, {})
                named.setdefault(event.number, _name(event.data))
        for channel, own in prefixed.items():
            if (index, channel) in track_channels:
                track_channels[index, channel].names = own
        track_names.append(names)
    return list(track_channels.values()), track_names


def _port(track: Track) -> int | None:
    """Return the port on which a track's channels lie, or None where it states none."""
    stated = (
        event.data[0]
        for event in track.events
        if not isinstance(event, Channel) and event.number == MIDI_PORT and event.data
    )
    return next(stated, None)


def _kind(message: Channel) -> tuple[str, int]:
    is_control = message.type == "control_change"
    return message.type, message.number if is_control else 0


def _share(track_channels: Sequence[_TrackChannel], silent: Sequence[_TrackChannel]) -> None:
    """Let what tracks without notes say hold for those on their channels that say nothing."""
    for one in track_channels:
        said = {_kind(message) for message in one.messages}
        shared = [
            message
            for other in silent
            if other.channel == one.channel and other.port in (None, one.port)
            for message in other.messages
            if _kind(message) not in said and message.type not in ("note_on", "note_off")
        ]
        if shared:
            one.messages = sorted((*shared, *one.messages), key=lambda message: message.tick)


def _is_control(message: Channel, number: int) -> bool:
    return message.type == "control_change" and message.number == number


def _controls(one: _TrackChannel) -> list[tuple[int, list[tuple[int, int]]]]:
    """Return the (tick, value) changes of each controller that is heard of, resets included."""
    changes: dict[int, list[tuple[int, int]]] = {number: [] for number in STARTING_VALUES}
    stated = set()
    for message in one.messages:
        if message.type != "control_change":
            continue
        if message.number in changes:
            changes[message.number].append((message.tick, message.value))
            stated.add(message.number)
        elif message.number == RESET_CONTROLLERS:
            for number, value in RESET_VALUES.items():
                changes[number].append((message.tick, value))
    return [(number, changes[number]) for number in sorted(stated)]


def _bends(one: _TrackChannel) -> list[tuple[int, int]]:
    """Return the (tick, value) changes of the bend, resets included; none if nothing bends."""
    if not any(message.type == "pitchwheel" for message in one.messages):
        return []
    return [
        (message.tick, message.value if message.type == "pitchwheel" else BEND_CENTRE)
        for message in one.messages
        if message.type == "pitchwheel" or _is_control(message, RESET_CONTROLLERS)
    ]


def _bend_range(messages: Sequence[Channel]) -> Fraction:
    """Return the semitones of a full bend: registered parameter 0, as last set."""
    high, low = 0x7F, 0x7F
    semitones, cents = 2, 0
    for message in messages:
        if message.type != "control_change":
            continue
        if message.number in NRPN_NUMBERS:
            high, low = 0x7F, 0x7F
        elif message.number == RPN_HIGH:
            high = message.value
        elif message.number == RPN_LOW:
            low = message.value
        elif (high, low) == (0, 0) and message.number == DATA_HIGH:
            semitones = message.value
        elif (high, low) == (0, 0) and message.number == DATA_LOW:
            cents = message.value
    return semitones + Fraction(cents, 100)

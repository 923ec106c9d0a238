"""The bytes of a Standard MIDI File, taken apart into events and nothing more.

The chunks, times and lengths are read here and not by mido, whose 1.3.3 refuses a file for a
wrapper, a chunk of another kind or a bad key signature, and loses the note that follows a system
exclusive message in running status (`tests/read/test_why_not_mido.py`). What a channel message
means is mido's to say.

Source: Standard MIDI Files 1.0 (from memory).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from mido.messages.decode import decode_message

from retro.errors import LimitError, MidiError
from retro.model.findings import FindingKind
from retro.model.performance import Finding, Severity

MAX_BYTES = 32 * 2**20
"""Largest file that is read."""

MAX_EVENTS = 1_000_000
"""Most events that a file may hold."""

MAX_NUMBER_BYTES = 4
"""Bytes of a number of variable length."""

META, SYSEX, ESCAPE = 0xFF, 0xF0, 0xF7
END_OF_TRACK = 0x2F

DATA_BYTES = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
"""Data bytes of a channel message, by the high half of its status byte (MIDI 1.0)."""

SYSTEM_DATA_BYTES = {0xF1: 1, 0xF2: 2, 0xF3: 1}
"""Data bytes of the system messages that have any (MIDI 1.0)."""

UNUSED = {0xA0, 0xD0}
"""Key and channel pressure: no player's part needs them."""

SMPTE_FRAMES = {24: 24, 25: 25, 29: 30, 30: 30}
"""Frames a second as the division states them, to frames counted in a nominal second."""


class Channel(NamedTuple):
    """A channel message: `type` is mido's word for it.

    `number` is the pitch, the controller or the program; `value` the velocity, the controller's
    value or the bend (-8192 to 8191).
    """

    tick: int
    channel: int
    type: str
    number: int
    value: int


class Meta(NamedTuple):
    """A meta event: its type byte and its data."""

    tick: int
    number: int
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """The events of one track in file order, and the tick at which it ends."""

    events: tuple[Channel | Meta, ...]
    end_tick: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Smf:
    """A Standard MIDI File.

    Parameters
    ----------
    format
        0 or 1.
    ticks_per_quarter
        Ticks a quarter note. Where the file counts timecode, a quarter is half a nominal second.
    tick_units
        Of those ticks one tick of the file is worth: 1, or 2 where timecode ticks are odd.
    us_per_quarter
        The tempo that follows from timecode, in microseconds, or None where the file has its own.
    tracks
        In file order, at least one.
    notices
        What is untidy about the file.
    """

    format: int
    ticks_per_quarter: int
    tick_units: int
    us_per_quarter: int | None
    tracks: tuple[Track, ...]
    notices: tuple[Finding, ...]


def notice(what: str, *, severity: Severity = Severity.NOTE, advice: str = "") -> Finding:
    """Return a finding about the file itself."""
    return Finding(severity=severity, kind=FindingKind.FILE, what=what, advice=advice)


def read_smf(data: bytes, name: str) -> Smf:
    """Take a file apart.

    Raises
    ------
    MidiError
        Where it is not a Standard MIDI File of format 0 or 1, or is damaged.
    LimitError
        Where it is larger than the limits above.
    """
    if len(data) > MAX_BYTES:
        raise LimitError(f"more than {MAX_BYTES // 2**20} MiB", where=name)
    data = _unwrapped(data, name)
    header_end = _check_header(data, name)
    kind, count, division = (int.from_bytes(data[at : at + 2]) for at in (8, 10, 12))
    if kind > 1:
        what = "format 2 (separate patterns)" if kind == 2 else f"format {kind}"
        raise MidiError(f"{what} is not read", where=name, advice="export it as format 1")
    ticks_per_quarter, tick_units, us_per_quarter = _division(division, name)
    notices: list[Finding] = []
    chunks = list(_track_chunks(data, header_end, name, notices))
    if len(chunks) < max(count, 1):
        raise MidiError(
            f"holds {len(chunks)} of {count} tracks: it was cut short",
            where=name,
            advice="export it again",
        )
    if len(chunks) > count:
        notices.append(notice(f"the header counts {count} tracks, the file holds {len(chunks)}"))
    if us_per_quarter is not None:
        notices.append(
            notice(
                "the file counts timecode, not beats: its times are kept, and the bars stand on "
                "an even grid of half-second quarters",
                severity=Severity.WARN,
                advice="export it with beats if the bars matter",
            )
        )
    return Smf(
        format=kind,
        ticks_per_quarter=ticks_per_quarter,
        tick_units=tick_units,
        us_per_quarter=us_per_quarter,
        tracks=_tracks(chunks, name, notices),
        notices=tuple(notices),
    )


def _unwrapped(data: bytes, name: str) -> bytes:
    """Return the file inside a RIFF wrapper, or the data as they are."""
    if data[:4] != b"RIFF" or data[8:12] != b"RMID":
        return data
    at = 12
    while at + 8 <= len(data):
        size = int.from_bytes(data[at + 4 : at + 8], "little")
        if data[at : at + 4] == b"data":
            return data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    raise MidiError("the RIFF wrapper holds no MIDI file", where=name)


def _check_header(data: bytes, name: str) -> int:
    if not data:
        raise MidiError("the file is empty", where=name)
    if data[:4] != b"MThd":
        raise MidiError("not a Standard MIDI File: it does not begin with MThd", where=name)
    header_end = 8 + int.from_bytes(data[4:8])
    if header_end < 14 or len(data) < header_end:
        raise MidiError("the header is cut short", where=name, advice="export it again")
    return header_end


def _division(division: int, name: str) -> tuple[int, int, int | None]:
    if division == 0:
        raise MidiError("the header states 0 ticks a quarter note", where=name)
    if division < 0x8000:
        return division, 1, None
    frames, subframes = 0x100 - (division >> 8), division & 0xFF
    if frames not in SMPTE_FRAMES or subframes == 0:
        raise MidiError(f"the header states no known timecode (0x{division:04X})", where=name)
    ticks_a_second = SMPTE_FRAMES[frames] * subframes
    units = 1 + ticks_a_second % 2
    # 29.97 is 30000/1001: half a nominal second lasts 500 500 microseconds, exactly.
    return ticks_a_second * units // 2, units, 500_500 if frames == 29 else 500_000


def _track_chunks(data: bytes, at: int, name: str, notices: list[Finding]) -> Iterator[bytes]:
    count = 0
    while at + 8 <= len(data):
        tag, size = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8])
        at += 8
        if tag == b"MTrk":
            count += 1
            if at + size > len(data):
                raise MidiError(f"track {count} is cut short", where=name, advice="export it again")
            yield data[at : at + size]
        else:
            notices.append(notice(f"a chunk of another kind ({tag!r}) was skipped"))
        at += size
    if 0 < len(data) - at < 8:
        notices.append(notice(f"{len(data) - at} bytes after the last track were skipped"))


def _tracks(chunks: list[bytes], name: str, notices: list[Finding]) -> tuple[Track, ...]:
    tracks = []
    left = MAX_EVENTS
    for number, chunk in enumerate(chunks, start=1):
        reader = _TrackReader(chunk, f"{name}, track {number}", left)
        tracks.append(reader.read())
        left -= reader.steps
        if not reader.has_end:
            notices.append(notice(f"track {number} has no end-of-track event"))
    return tuple(tracks)


class _TrackReader:
    """Walks through the bytes of one track."""

    def __init__(self, data: bytes, where: str, most: int) -> None:
        self.data = data
        self.where = where
        self.most = most
        self.at = 0
        self.tick = 0
        self.steps = 0
        self.running: int | None = None
        self.events: list[Channel | Meta] = []
        self.has_end = False

    def read(self) -> Track:
        while self.at < len(self.data) and not self.has_end:
            self.tick += self._variable()
            self._event(self._status())
            self.steps += 1
            if self.steps > self.most:
                raise LimitError(f"the file holds more than {MAX_EVENTS} events", where=self.where)
        return Track(events=tuple(self.events), end_tick=self.tick)

    def _event(self, status: int) -> None:
        if status == META:
            number = self._take(1)[0]
            data = self._take(self._variable())
            self.has_end = number == END_OF_TRACK
            self.events.append(Meta(self.tick, number, data))
        elif status in (SYSEX, ESCAPE):
            self._take(self._variable())
        elif status > SYSEX:
            self._take(SYSTEM_DATA_BYTES.get(status, 0))
        else:
            self._channel(status)

    def _channel(self, status: int) -> None:
        kind = status & 0xF0
        data = self._take(DATA_BYTES[kind])
        if max(data) > 0x7F:
            raise MidiError(f"damaged at byte {self.at}: data byte over 127", where=self.where)
        if kind in UNUSED:
            return
        self.events.append(Channel(self.tick, *_decoded(status, data)))

    def _status(self) -> int:
        """Return the status byte; the running one goes on past meta and system events."""
        if self.at < len(self.data) and self.data[self.at] >= 0x80:
            status = self.data[self.at]
            self.at += 1
            if status < SYSEX:
                self.running = status
            return status
        if self.at < len(self.data) and self.running is None:
            raise MidiError(f"damaged at byte {self.at}: data without status", where=self.where)
        if self.running is None:
            raise self._cut_short()
        return self.running

    def _variable(self) -> int:
        value = 0
        taken = self.data[self.at : self.at + MAX_NUMBER_BYTES]
        for byte in taken:
            self.at += 1
            value = value << 7 | byte & 0x7F
            if byte < 0x80:
                return value
        if len(taken) < MAX_NUMBER_BYTES:
            raise self._cut_short()
        raise MidiError(f"damaged at byte {self.at}: number too long", where=self.where)

    def _take(self, count: int) -> bytes:
        end = self.at + count
        if end > len(self.data):
            raise self._cut_short()
        taken = self.data[self.at : end]
        self.at = end
        return taken

    def _cut_short(self) -> MidiError:
        return MidiError(
            "the track ends in the middle of an event", where=self.where, advice="export it again"
        )


@lru_cache(maxsize=1 << 15)
def _decoded(status: int, data: bytes) -> tuple[int, str, int, int]:
    """Return channel, type, first data byte and value of a message; curves repeat themselves."""
    message = decode_message((status, *data), check=False)
    value = message["pitch"] if message["type"] == "pitchwheel" else data[-1]
    return message["channel"], message["type"], data[0], value

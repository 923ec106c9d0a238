"""The probe: single tones of every player, for a sampler to play and for `retro learn` to hear.

Every player plays alone: the lowest, the middle and the highest pitch that the target asks for,
each soft and loud and long, and loud and short. Its MIDI file is all that `learn` needs to know.

Conventions
-----------
Times are seconds from the file's start; a tick is a millisecond.
"""

import io
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import mido

from retro.errors import MidiError
from retro.model.instruments import LOUD_VELOCITY, SOFT_VELOCITY
from retro.model.performance import Performance
from retro.read.midi import read_song_bytes
from retro.sounds.presets import Preset
from retro.units import ms_to_seconds

MARK = "retro probe 1"
"""Says what the file is, and in which order its tones come."""

FIRST_MS = 1_000
LONG_MS, SHORT_MS, AFTER_MS = 2_000, 300, 2_000
"""When the first tone begins, how long tones are held, and the silence after each."""

KINDS = ((SOFT_VELOCITY, LONG_MS), (LOUD_VELOCITY, LONG_MS), (LOUD_VELOCITY, SHORT_MS))
TICKS_PER_QUARTER = 500
MAX_BYTES = 10_000_000


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class ProbeTone:
    """One tone of a probe: who plays what, from when to when."""

    on_s: float
    off_s: float
    player: str
    pitch: int
    velocity: int
    is_struck: bool
    is_unpitched: bool

    @property
    def held_s(self) -> float:
        """How long it is held."""
        return self.off_s - self.on_s


def probe_midi(performance: Performance) -> bytes:
    """Return the probe of a performance's players as a Standard MIDI File: a track for each."""
    tracks = [_head()]
    now = FIRST_MS
    for index, (player, part) in enumerate(
        zip(performance.players, performance.insert.parts, strict=True)
    ):
        preset = Preset.of(player, part)
        pitches = {
            note.target.pitch if player.key is None else player.key
            for note in performance.notes
            if note.part == index
        }
        instrument = player.instrument
        kind = f"{instrument.sound} {'unpitched' if instrument.is_unpitched else 'pitched'}"
        track = mido.MidiTrack([_text(0x03, player.name), _text(0x01, f"{MARK} {kind}")])
        channel = part.channel
        events: list[tuple[int, mido.Message]] = [
            (now, mido.Message("program_change", channel=channel, program=preset.program))
        ]
        for pitch in _spread(sorted(pitches)):
            for velocity, held_ms in KINDS:
                about = {"channel": channel, "note": pitch}
                events.append((now, mido.Message("note_on", velocity=velocity, **about)))
                events.append((now + held_ms, mido.Message("note_off", velocity=64, **about)))
                now += held_ms + AFTER_MS
        _append(track, events)
        tracks.append(track)
    for track in tracks:
        length = sum(message.time for message in track)
        track.append(mido.MetaMessage("end_of_track", time=max(now - length, 0)))
    buffer = io.BytesIO()
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_QUARTER)
    file.tracks.extend(tracks)
    file.save(file=buffer)
    return buffer.getvalue()


def length_s(tones: Iterable[ProbeTone]) -> float:
    """Return how long a probe lasts, the silence after its last tone included."""
    return max(tone.off_s for tone in tones) + ms_to_seconds(AFTER_MS)


def read_probe(path: Path) -> tuple[ProbeTone, ...]:
    """Return the tones of a probe, in their order.

    Raises
    ------
    MidiError
        If it is none.
    """
    try:
        content = path.read_bytes()[: MAX_BYTES + 1]
    except OSError as fault:
        raise MidiError(fault.strerror or "cannot be read", where=path) from None
    kinds = _kinds(content, path)
    song = read_song_bytes(content, path.name)
    seconds_at = song.phrase.tempo.seconds_at
    tones = [
        ProbeTone(
            on_s=float(seconds_at(note.on_beats)),
            off_s=float(seconds_at(note.off_beats)),
            player=part.name,
            pitch=note.pitch,
            velocity=note.velocity,
            is_struck="struck" in kinds.get(part.name, ""),
            is_unpitched="unpitched" in kinds.get(part.name, ""),
        )
        for part in song.phrase.parts
        for note in part.notes
    ]
    if not kinds or not tones or {tone.player for tone in tones} - kinds.keys():
        raise _no_probe(path)
    return tuple(sorted(tones))


def _kinds(content: bytes, path: Path) -> dict[str, str]:
    """Return what the tracks of a probe say of their players."""
    if not content.startswith(b"MThd") or MARK.encode() not in content:
        raise _no_probe(path)
    try:
        file = mido.MidiFile(file=io.BytesIO(content), charset="utf-8")
    except Exception as fault:  # the library raises whatever a damaged file makes it raise
        raise _no_probe(path) from fault
    kinds = {}
    for track in file.tracks:
        names = [message.name for message in track if message.type == "track_name"]
        marks = [message.text for message in track if message.type == "text"]
        for mark in marks:
            if mark.startswith(f"{MARK} ") and names:
                kinds[" ".join(names[0].split())] = mark.removeprefix(f"{MARK} ")
    return kinds


def _no_probe(path: Path) -> MidiError:
    return MidiError("is no probe", where=path, advice="`retro probe` writes one")


def _head() -> mido.MidiTrack:
    tempo = mido.MetaMessage("set_tempo", tempo=TICKS_PER_QUARTER * 1_000)
    return mido.MidiTrack([_text(0x03, "Probe"), tempo])


def _text(number: int, text: str) -> mido.UnknownMetaMessage:
    return mido.UnknownMetaMessage(number, data=text.encode("utf-8", "replace"))


def _spread(pitches: list[int]) -> list[int]:
    """Return the lowest, the middle and the highest of some pitches."""
    return sorted({pitches[0], pitches[len(pitches) // 2], pitches[-1]})


def _append(track: mido.MidiTrack, events: list[tuple[int, mido.Message]]) -> None:
    now = 0
    for at, message in events:
        track.append(message.copy(time=at - now))
        now = at

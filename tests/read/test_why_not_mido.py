"""Files that are merely untidy: mido refuses them or loses a note, and they are read here.

A test that fails here may mean that mido has become better: then `retro.read.smf` can shrink.
"""

import io

import mido
import pytest

from retro.read.smf import read_smf


def chunk(name: bytes, data: bytes) -> bytes:
    return name + len(data).to_bytes(4, "big") + data


def midi(track: bytes, between: bytes = b"") -> bytes:
    header = chunk(b"MThd", bytes.fromhex("0001 0001 0060"))
    return header + between + chunk(b"MTrk", track)


NOTE = bytes.fromhex("00 90 3c 40  60 80 3c 00")
END = bytes.fromhex("00 ff 2f 00")
BAD_KEY = bytes.fromhex("00 ff 59 02 20 00")
"""32 sharps."""

SYSEX_THEN_RUNNING = bytes.fromhex("00 90 3c 40  00 f0 02 01 f7  60 3c 00")
"""A note, a system exclusive message, and the note's end in running status."""

TIDY = midi(NOTE + END)
REFUSED = {
    "wrapped": b"RIFF"
    + (len(TIDY) + 12).to_bytes(4, "little")
    + b"RMIDdata"
    + len(TIDY).to_bytes(4, "little")
    + TIDY,
    "a chunk of another kind": midi(NOTE + END, between=chunk(b"XFIH", b"abcd")),
    "a bad key signature": midi(BAD_KEY + NOTE + END),
}


def note_events(data: bytes) -> list[tuple[int, int]]:
    """Return the pitch and velocity of every note message."""
    (track,) = read_smf(data, "untidy.mid").tracks
    return [
        (event.number, event.value)
        for event in track.events
        if getattr(event, "type", "") in ("note_on", "note_off")
    ]


def test_both_read_a_tidy_file() -> None:
    assert len(mido.MidiFile(file=io.BytesIO(TIDY)).tracks[0]) == 3
    assert note_events(TIDY) == [(60, 64), (60, 0)]


@pytest.mark.parametrize("kind", REFUSED)
def test_mido_refuses_what_is_read_here(kind: str) -> None:
    with pytest.raises((OSError, mido.midifiles.meta.KeySignatureError)):
        mido.MidiFile(file=io.BytesIO(REFUSED[kind]))
    assert note_events(REFUSED[kind]) == [(60, 64), (60, 0)]


def test_mido_loses_a_note_after_a_system_exclusive_message() -> None:
    data = midi(SYSEX_THEN_RUNNING + END)
    read = mido.MidiFile(file=io.BytesIO(data)).tracks[0]
    assert [message.type for message in read].count("note_on") == 1
    assert note_events(data) == [(60, 64), (60, 0)]

"""Targets and songs: MIDI or MusicXML, told apart by what the file holds, not by its name."""

from pathlib import Path

from retro.errors import MidiError, ScoreError, as_message
from retro.model.settings import BeatGroups
from retro.read.midi import read_song_bytes
from retro.read.song import MAX_XML_BYTES, ZIP_START, Song

XML_STARTS = (b"<", b"\xef\xbb\xbf<", b"\xff\xfe<", b"\xfe\xff\0<", b"<\0", b"\0<")

START_BYTES = 512
"""What is read of a file to see what it is."""


def read_song(path: str | Path, *, meter_groups: tuple[BeatGroups, ...] = ()) -> Song:
    """Read a Standard MIDI File, or a MusicXML score, bare or compressed.

    `meter_groups` replace the usual grouping.

    Raises
    ------
    MidiError, ScoreError
        Where it is no such file that can be used.
    LimitError
        Where it is larger than the stated limits.
    OSError
        Where it cannot be opened.
    """
    path = Path(path)
    if path.is_dir():
        raise MidiError(
            "this is a folder", where=path, advice="name the MIDI file or the score inside it"
        )
    with path.open("rb") as file:
        data = file.read(MAX_XML_BYTES + 1)
    name = as_message(path.name)
    if not is_musicxml(data):
        return read_song_bytes(data, name, meter_groups=meter_groups)
    # What reads XML is slow to import, and a MIDI file needs none of it.
    from retro.read.musicxml import read_score_song  # noqa: PLC0415

    return read_score_song(data, name, meter_groups=meter_groups)


def is_musicxml(data: bytes) -> bool:
    """Return whether bytes begin as XML or as a compressed score does."""
    start = data[:START_BYTES].lstrip(b" \t\r\n")
    return start.startswith((ZIP_START, *XML_STARTS))


def refuse_no_score(path: Path) -> None:
    """Refuse a file that does not begin as a score in MusicXML, before anything is done with it.

    Raises
    ------
    ScoreError
        Where it is something else.
    OSError
        Where it cannot be opened.
    """
    with path.open("rb") as file:
        if not is_musicxml(file.read(START_BYTES)):
            raise ScoreError("is no MusicXML", where=path, advice="export the song's score as it")

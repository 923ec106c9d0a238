"""Targets and songs: MIDI or MusicXML, told apart by what the file holds, not by its name."""

from pathlib import Path

from retro.errors import as_message
from retro.model.settings import BeatGroups
from retro.read.midi import read_song_bytes
from retro.read.musicxml import read_score_song
from retro.read.musicxml_file import MAX_XML_BYTES, is_musicxml
from retro.read.song import Song


def read_song(path: str | Path, *, meter_groups: tuple[BeatGroups, ...] = ()) -> Song:
    """Read a Standard MIDI File, or a MusicXML score, bare or compressed.

    Parameters
    ----------
    path
        The file.
    meter_groups
        Beat groups that replace the usual grouping.

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
    with path.open("rb") as file:
        data = file.read(MAX_XML_BYTES + 1)
    read = read_score_song if is_musicxml(data) else read_song_bytes
    return read(data, as_message(path.name), meter_groups=meter_groups)

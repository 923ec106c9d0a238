"""Files that nobody here wrote, used in place, against readers that nobody here wrote.

Source: the MIDI files inside the music21 package; pretty_midi as the second reader,
and symusic as the third where it is installed.
"""

import warnings
from collections import Counter
from pathlib import Path

import music21
import pretty_midi
import pytest

from retro.errors import RetroError
from retro.read.song import Song
from retro.read.target import read_song
from retro.reversal.mirror import mirror
from retro.units import beats_to_ticks

PACKAGE = Path(music21.__file__).parent
FILES = sorted(PACKAGE.rglob("*.mid"))
COMPARED = [
    *(PACKAGE / "midi" / "testPrimitive" / f"test{number:02}.mid" for number in range(3, 20)),
    *sorted((PACKAGE / "omr").glob("*.mid")),
]

OF_ANOTHER_MIND = {
    "test03": (54, "pretty_midi does not let the pedal hold notes"),
    "test09": (2, "pretty_midi ends all overlapping notes of one pitch at once"),
    "test16": (1, "pretty_midi drops a note of no length"),
    "k525MIDIMvt1": (12, "pretty_midi ends all overlapping notes of one pitch at once"),
}
"""Notes whose spans differ, and why."""

Span = tuple[int, int, int, int]
"""Pitch, velocity, start and end in ticks."""


def test_the_package_still_holds_the_files() -> None:
    assert len(FILES) >= 20
    assert all(path.exists() for path in COMPARED)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_each_is_read_and_mirrors_back_or_is_refused_in_one_line(path: Path) -> None:
    refused = ""
    try:
        phrase = read_song(path).phrase
    except RetroError as refusal:
        refused = str(refusal)
    if refused:
        assert "\n" not in refused
    else:
        assert mirror(mirror(phrase)) == phrase


def our_spans(song: Song) -> Counter[Span]:
    ticks = song.ticks_per_quarter
    return Counter(
        (
            note.pitch,
            note.velocity,
            beats_to_ticks(note.on_beats, ticks),
            beats_to_ticks(note.off_beats, ticks),
        )
        for part in song.phrase.parts
        for note in part.notes
    )


@pytest.mark.parametrize("path", COMPARED, ids=lambda path: path.stem)
def test_a_second_reader_finds_the_same_notes(path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of tempo events outside the first track
        theirs = pretty_midi.PrettyMIDI(str(path))
    spans: Counter[Span] = Counter(
        (
            note.pitch,
            note.velocity,
            theirs.time_to_tick(note.start),
            theirs.time_to_tick(note.end),
        )
        for instrument in theirs.instruments
        for note in instrument.notes
    )
    ours = our_spans(read_song(path))
    different, _ = OF_ANOTHER_MIND.get(path.stem, (0, ""))
    assert ours.total() > 0
    assert (ours - spans).total() == different
    assert (spans - ours).total() in (different, 0)


@pytest.mark.parametrize("path", COMPARED, ids=lambda path: path.stem)
def test_a_third_reader_finds_the_same_seconds(path: Path) -> None:
    """It reads tempo in every track; its seconds have 32 bits."""
    symusic = pytest.importorskip("symusic")
    phrase = read_song(path).phrase
    ours = sorted(
        (note.pitch, note.velocity, float(phrase.tempo.seconds_at(note.on_beats)))
        for part in phrase.parts
        for note in part.notes
    )
    theirs = sorted(
        (note.pitch, note.velocity, note.start)
        for track in symusic.Score(str(path), ttype="second").tracks
        for note in track.notes
    )
    assert [note[:2] for note in ours] == [note[:2] for note in theirs]
    for (_, _, start_s), (_, _, their_start_s) in zip(ours, theirs, strict=True):
        assert start_s == pytest.approx(their_start_s, abs=1e-3)

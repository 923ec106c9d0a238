"""Standard MIDI Files out: what is written is read back, by us and by others."""

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.model.phrase import Key, Marker, Note, Part, Phrase
from retro.model.time import Bar, Meter, Steps, TempoMap
from retro.read.midi import read_song_bytes
from retro.read.song import Song
from retro.render.midi_file import smf_bytes, ticks_for
from tests.conftest import make_phrase


def midi_note(on: object, off: object, pitch: int = 60, velocity: int = 80) -> Note:
    return Note(on_beats=Fraction(on), off_beats=Fraction(off), pitch=pitch, velocity=velocity)


def write(*tracks: Part, phrase: Phrase | None = None, ticks_per_quarter: int = 960) -> bytes:
    whole = replace(phrase or make_phrase(bars=2), parts=tracks)
    return smf_bytes(whole, ticks_per_quarter=ticks_per_quarter)


def spans(song: Song) -> list[list[tuple[Fraction, Fraction, int]]]:
    return [
        [(note.on_beats, note.off_beats, note.velocity) for note in part.notes]
        for part in song.phrase.parts
    ]


@pytest.mark.parametrize(
    ("source", "wanted"), [(480, 960), (960, 960), (384, 1920), (1, 960), (25, 4800)]
)
def test_ticks_keep_the_sources_and_the_common_divisions(source: int, wanted: int) -> None:
    assert ticks_for(source) == wanted


@given(st.integers(1, 32_767))
def test_ticks_are_a_multiple_of_the_sources_and_fit_the_header(source: int) -> None:
    ticks = ticks_for(source)
    assert ticks % source == 0
    assert 960 <= ticks <= 32_767


def test_names_are_written_in_utf_8() -> None:
    track = Part(name="Flûte – 音", channel=3, program=None, notes=(midi_note(0, 1),))
    (part,) = read_song_bytes(write(track), "a.mid").phrase.parts
    assert (part.name, part.channel) == ("Flûte – 音", 3)
    assert "Flûte – 音".encode() in write(track)


def test_repeated_notes_end_before_they_begin_again() -> None:
    notes = (midi_note(1, 2, velocity=1), midi_note(0, 1, velocity=2), midi_note(2, 3))
    song = read_song_bytes(write(Part(name="A", channel=0, program=None, notes=notes)), "a.mid")
    assert spans(song) == [[(0, 1, 2), (1, 2, 1), (2, 3, 80)]]
    assert song.notices == ()


def test_a_note_inside_another_one_of_its_pitch_goes_to_a_channel_of_its_own() -> None:
    notes = (midi_note(0, 4, velocity=1), midi_note(1, 2, velocity=2), midi_note(3, 5))
    tracks = (
        Part(name="Horn", channel=0, program=60, notes=notes),
        Part(name="Oboe", channel=1, program=68, notes=(midi_note(0, 1),)),
    )
    song = read_song_bytes(write(*tracks), "a.mid")
    assert spans(song) == [[(0, 4, 1), (3, 5, 80)], [(1, 2, 2)], [(0, 1, 80)]]
    assert [(part.name, part.channel, part.program) for part in song.phrase.parts] == [
        ("Horn", 0, 60),
        ("Horn (2)", 2, 60),
        ("Oboe", 1, 68),
    ]


def test_a_note_shorter_than_a_tick_lasts_one() -> None:
    track = Part(name="A", channel=0, program=None, notes=(midi_note(1, "1.0001"),))
    (part,) = read_song_bytes(write(track), "a.mid").phrase.parts
    assert part.notes[0].length_beats == Fraction(1, 960)


def test_short_bars_are_read_back_short() -> None:
    four, length = Meter.plain(4, 4), Fraction(9)
    bars = (
        Bar(Fraction(0), Fraction(4), four),
        Bar(Fraction(4), Fraction(1), four),
        Bar(Fraction(5), Fraction(4), four),
    )
    for order in (
        bars,
        (bars[0], Bar(Fraction(4), Fraction(4), four), Bar(Fraction(8), Fraction(1), four)),
    ):
        phrase = Phrase(
            title="Short",
            tempo=TempoMap(Steps(length, (Fraction(0), Fraction(3)), (500_000, 612_345))),
            bars=order,
            keys=Steps(length, (Fraction(0), Fraction(4)), (Key(-7), Key(7, minor=True))),
            markers=(Marker(Fraction(2), "Ämne"), Marker(length, "End")),
            parts=(),
        )
        track = Part(name="A", channel=0, program=None, notes=(midi_note(0, 9),))
        back = read_song_bytes(write(track, phrase=phrase), "a.mid").phrase
        assert back.bars == order
        assert (back.tempo, back.keys, back.markers) == (phrase.tempo, phrase.keys, phrase.markers)


def test_the_same_input_gives_the_same_bytes() -> None:
    track = Part(name="A", channel=0, program=None, notes=(midi_note(0, 1), midi_note(0, 1, 64)))
    assert write(track) == write(track)
    swapped = Part(name="A", channel=0, program=None, notes=track.notes[::-1])
    assert write(swapped) == write(track)


NOTES = st.builds(
    lambda on, length, pitch, velocity: midi_note(
        Fraction(on, 480), Fraction(on + length, 480), pitch, velocity
    ),
    st.integers(0, 3000),
    st.integers(1, 800),
    st.integers(60, 62),
    st.integers(1, 127),
)


@given(st.lists(NOTES, min_size=1, max_size=30))
def test_any_notes_are_read_back_as_they_were_stated(notes: list[Note]) -> None:
    track = Part(name="A", channel=0, program=None, notes=tuple(notes))
    song = read_song_bytes(write(track, ticks_per_quarter=480), "a.mid")
    found = [
        (n.on_beats, n.off_beats, n.pitch, n.velocity)
        for part in song.phrase.parts
        for n in part.notes
    ]
    stated = [(n.on_beats, n.off_beats, n.pitch, n.velocity) for n in notes]
    assert sorted(found) == sorted(stated)
    assert song.notices == ()

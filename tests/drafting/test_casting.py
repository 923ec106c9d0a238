"""Who plays a draft: players, families and their dynamics; and the chord that a song itself has."""

from dataclasses import replace
from fractions import Fraction

import pretty_midi
import pytest

from retro.drafting.casting import read_cast
from retro.drafting.harmony import OwnSong, chord_at, read_own_song
from retro.errors import SettingsError, WindowError
from retro.model.phrase import Part
from retro.read.window import place_beats
from tests.conftest import make_note, make_part, make_phrase
from tests.example import TARGET


def names(text: str, **more: object) -> list[str]:
    return [player.name for player in read_cast(text, velocity=100, **more).players]


def test_a_family_is_its_usual_players_where_there_is_no_song():
    assert names("strings") == ["Violin I", "Violin II", "Viola", "Cello", "Double Bass"]
    assert names("brass, Harp")[-1] == "Harp"
    assert len(names("tutti")) == 4 + 5 + 5


def test_a_family_is_who_plays_in_the_song():
    own = read_own_song(TARGET)
    assert names("Brass", company=own.players) == [
        "Horn in F 1.2",
        "Trumpet in C",
        "Bass Trombone",
    ]
    everybody = [player.name for player in own.players if not player.instrument.is_unpitched]
    assert names("tutti", company=own.players) == everybody


def test_a_family_that_is_not_in_the_song_is_refused():
    harp = [player for player in read_own_song(TARGET).players if player.name == "Harp"]
    with pytest.raises(SettingsError, match="nobody of the brass plays in the song"):
        read_cast("brass", velocity=100, company=harp)


def test_a_dynamic_after_a_name_is_its_loudness():
    cast = read_cast("strings p, Horn in F ff, Harp", velocity=100)
    # p 48 and ff 112: each level is 16 velocities (common practice).
    assert cast.velocities == (48, 48, 48, 48, 48, 112, 100)


def test_altos_beside_violins_are_violas_and_beside_sopranos_voices():
    for names, id_ in (("Violons I, Altos ff", "violas"), ("Soprano, Altos", "alto")):
        assert read_cast(names, velocity=80).players[1].instrument.id == id_


def test_players_of_one_name_are_numbered():
    assert names("Horn in F p, Horn in F f") == ["Horn in F 1", "Horn in F 2"]


def song_of(*parts: Part) -> OwnSong:
    players = read_cast(", ".join(part.name for part in parts), velocity=100).players
    return OwnSong(phrase=make_phrase(*parts, bars=4), players=players)


def test_the_chord_of_a_place_is_what_sounds_a_32nd_after_it_over_the_bass():
    cello = make_part(make_note(0, 4, 43), make_note("4.02", 8, 46), name="Cello")
    violins = make_part(
        make_note(0, "4.05", 71), make_note("4.01", 8, 74), make_note("4.01", 8, 67), name="Violins"
    )
    # The B that hangs over the bar line is not in it; G2 and G4 are one tone.
    assert chord_at(song_of(cello, violins), Fraction(4)) == (46, 50, 55)
    assert chord_at(song_of(cello, violins), Fraction(0)) == (43, 47)


def test_an_arpeggio_is_the_chord_of_its_beat_or_of_its_bar():
    quick = [make_note(Fraction(i, 4), Fraction(i + 1, 4), p) for i, p in enumerate((48, 55, 64))]
    slow = [make_note(4 + i, 5 + i, p) for i, p in enumerate((50, 57, 65, 69))]
    harp = make_part(*quick, *slow, make_note(8, 9, 40), name="Harp")
    assert chord_at(song_of(harp), Fraction(0)) == (48, 52, 55)
    assert chord_at(song_of(harp), Fraction(4)) == (50, 53, 57)
    assert chord_at(song_of(harp), Fraction(7)) == (69,)


def test_drums_are_no_chord():
    flute = make_part(make_note(0, 4, 72), name="Flute")
    drum = make_part(make_note(0, 4, 38), name="Snare Drum")
    assert chord_at(song_of(flute, drum), Fraction(0)) == (72,)


def test_a_place_where_nothing_sounds_is_refused_with_the_nearest_that_does():
    flute = make_part(make_note(6, 8, 72), name="Flute")
    with pytest.raises(WindowError, match=r"at bar 1 beat 1; .* begins at bar 2 beat 3"):
        chord_at(song_of(flute), Fraction(0))
    assert chord_at(song_of(flute), Fraction(5)) == (72,)
    silent = song_of(flute)
    silent = replace(silent, phrase=make_phrase(make_part(name="Flute"), bars=4))
    with pytest.raises(WindowError, match="in the whole song"):
        chord_at(silent, Fraction(0))


def test_the_chord_of_the_example_is_what_pretty_midi_finds_there():
    """Source: pretty_midi; bar 32 of an example in which every bar is found by its downbeats."""
    own = read_own_song(TARGET)
    file = pretty_midi.PrettyMIDI(str(TARGET))
    at_s = file.get_downbeats()[31]
    sounding = {
        note.pitch % 12
        for instrument in file.instruments
        if not instrument.is_drum
        for note in instrument.notes
        if note.start <= at_s + 0.05 < note.end
    }
    assert {pitch % 12 for pitch in chord_at(own, place_beats(own.phrase, "32"))} == sounding
    assert len(sounding) >= 3

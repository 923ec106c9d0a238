"""No channel of a played MIDI file has two sounds, however many play."""

import io

import mido
import pretty_midi
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.model.phrase import Part
from retro.model.settings import Compensate, Settings
from retro.read.midi import read_song_bytes
from retro.render.channels import dealt_to_files
from retro.render.midi_file import smf_bytes
from retro.render.played import performance_midi
from retro.reversal.compensate import perform
from tests.conftest import make_note, make_part, make_phrase, make_player

PERCUSSION = 9


def files_of(*parts: Part) -> tuple[bytes, ...]:
    players = tuple(make_player() for _ in parts)
    performance = perform(make_phrase(*parts), players, Settings(compensate=Compensate.NONE))
    return performance_midi(performance, source_ticks_per_quarter=480)


def melodic(number: int, channel: int = 0) -> Part:
    note = make_note(number % 4, number % 4 + 2, 60 + number % 12)
    return make_part(note, name=f"Player {number}", program=number % 128, channel=channel)


def programs_by_channel(data: bytes) -> dict[int, set[int]]:
    """Source: mido."""
    found: dict[int, set[int]] = {}
    for message in mido.merge_tracks(mido.MidiFile(file=io.BytesIO(data)).tracks):
        if message.type == "program_change":
            found.setdefault(message.channel, set()).add(message.program)
    return found


@pytest.mark.parametrize(("players", "files"), [(1, 1), (15, 1), (16, 2), (30, 2), (47, 4)])
def test_every_player_has_a_channel_of_its_own(players, files):
    made = files_of(*(melodic(number) for number in range(players)))
    assert len(made) == files
    programs = [program for data in made for program in programs_by_channel(data).values()]
    assert sorted(next(iter(one)) for one in programs) == list(range(players))
    assert all(len(one) == 1 for one in programs)
    assert all(PERCUSSION not in programs_by_channel(data) for data in made)


def test_all_files_have_one_time_and_the_notes_of_everybody_once():
    """Source: pretty_midi."""
    made = [pretty_midi.PrettyMIDI(io.BytesIO(data)) for data in files_of(*map(melodic, range(40)))]
    assert len({tuple(file.get_downbeats()) for file in made}) == 1
    named = [instrument.name for file in made for instrument in file.instruments]
    assert named == [f"Player {number}" for number in range(40)]
    assert all(len(one.notes) == 1 for file in made for one in file.instruments)


def test_a_part_keeps_its_own_channel_where_nobody_before_it_has_it():
    parts = (melodic(0, channel=4), melodic(1, channel=4), melodic(2, channel=0))
    (dealt,) = dealt_to_files(parts)
    assert [part.channel for part in dealt] == [4, 1, 0]


def test_tracks_of_one_kit_share_its_channel_and_a_second_kit_gets_a_file():
    kit = [
        make_part(make_note(0, 1, pitch), name=name, program=0, channel=PERCUSSION)
        for name, pitch in (("Kick", 36), ("Snare", 38))
    ]
    room = make_part(make_note(0, 1, 36), name="Room kit", program=8, channel=PERCUSSION)
    first, second = files_of(*kit, room)
    assert programs_by_channel(first) == {PERCUSSION: {0}}
    assert programs_by_channel(second) == {PERCUSSION: {8}}


def test_a_note_inside_another_of_its_pitch_never_shares_a_channel():
    nested = [
        make_part(
            make_note(0, 4, 60), make_note(1, 2, 60), name=f"Player {n}", program=n, channel=n
        )
        for n in range(9)
    ]
    made = files_of(*nested)
    assert len(made) == 2
    for data in made:
        tracks = mido.MidiFile(file=io.BytesIO(data)).tracks
        used = [
            {message.channel for message in track if message.type == "note_on"} for track in tracks
        ]
        channels = [channel for one in used for channel in one]
        assert len(channels) == len(set(channels))


@given(st.lists(st.tuples(st.integers(0, 15), st.integers(0, 3)), min_size=1, max_size=60))
def test_nothing_is_lost_and_no_channel_has_two_setups(drawn):
    parts = [
        make_part(make_note(0, 1), name=str(index), program=program, channel=channel)
        for index, (channel, program) in enumerate(drawn)
    ]
    files = dealt_to_files(parts)
    assert sorted(int(part.name) for file in files for part in file) == list(range(len(parts)))
    for file in files:
        on = [part.channel for part in file if part.channel != PERCUSSION]
        assert len(on) == len(set(on))
        assert len({part.program for part in file if part.channel == PERCUSSION}) <= 1
    by_name = {part.name: part for file in files for part in file}
    for part in parts:
        assert (part.channel == PERCUSSION) == (by_name[part.name].channel == PERCUSSION)


def test_one_file_of_many_players_has_ports():
    """Source: mido. Whoever does not heed ports still has a track for each."""
    phrase = make_phrase(*map(melodic, range(20)))
    data = smf_bytes(phrase, ticks_per_quarter=480)
    places = []
    for track in mido.MidiFile(file=io.BytesIO(data)).tracks[1:]:
        (port,) = (message.port for message in track if message.type == "midi_port")
        (channel,) = {message.channel for message in track if message.type == "note_on"}
        places.append((port, channel))
    assert len(set(places)) == 20
    assert {port for port, _ in places} == {0, 1}
    back = read_song_bytes(data, "many.mid").phrase
    assert [part.program for part in back.parts] == list(range(20))
    assert b"\xff\x21" not in smf_bytes(make_phrase(melodic(0)), ticks_per_quarter=480)

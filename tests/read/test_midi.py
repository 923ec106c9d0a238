"""Reading Standard MIDI Files: fixtures, limits, and whatever bytes come."""

import contextlib
import io
import struct
from fractions import Fraction
from pathlib import Path

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.errors import LimitError, MidiError, RetroError, SettingsError
from retro.model.phrase import OPEN_KEY, Key, Part
from retro.model.settings import BeatGroups
from retro.read import midi, smf
from retro.read.charset import decode_text
from retro.read.midi import read_song_bytes
from retro.read.song import Song
from retro.read.target import read_song
from retro.reversal.mirror import mirror
from tests.read.hexfile import FOLDER, fixtures, load, stated

VALID = fixtures("valid")
INVALID = fixtures("invalid")


def read(name: str) -> Song:
    return read_song_bytes(load(FOLDER / "valid" / f"{name}.hex"), f"{name}.mid")


def as_stated(part: Part) -> str:
    notes = "; ".join(
        f"{n.pitch} {n.on_beats} {n.off_beats} {n.velocity}" for n in sorted(part.notes)
    )
    program = "-" if part.program is None else part.program
    return f"{part.name or '-'} | {part.channel} | {program} | {notes}"


def chunk(tag: bytes, data: bytes) -> bytes:
    return tag + struct.pack(">I", len(data)) + data


def one_track(events: bytes, ticks_per_quarter: int = 96) -> bytes:
    header = chunk(b"MThd", struct.pack(">HHH", 1, 1, ticks_per_quarter))
    return header + chunk(b"MTrk", events + b"\x00\xff\x2f\x00")


def test_there_are_fixtures_of_both_kinds() -> None:
    assert len(VALID) >= 30
    assert len(INVALID) >= 20


@pytest.mark.parametrize("path", VALID, ids=lambda path: path.stem)
def test_a_valid_file_gives_the_stated_parts(path: Path) -> None:
    song = read_song_bytes(load(path), path.name)
    assert [as_stated(part) for part in song.phrase.parts] == stated(path, ">")


@pytest.mark.parametrize("path", VALID, ids=lambda path: path.stem)
def test_a_valid_file_gives_the_stated_notices_and_no_other(path: Path) -> None:
    notices = [finding.what for finding in read_song_bytes(load(path), path.name).notices]
    wanted = stated(path, "!")
    assert len(notices) >= len(wanted)
    for words in wanted:
        assert any(words in notice for notice in notices), (words, notices)
    for notice in notices:
        assert any(words in notice for words in wanted), notice


@pytest.mark.parametrize("path", VALID, ids=lambda path: path.stem)
def test_a_valid_file_mirrors_back(path: Path) -> None:
    phrase = read_song_bytes(load(path), path.name).phrase
    assert mirror(mirror(phrase)) == phrase


@pytest.mark.parametrize("path", INVALID, ids=lambda path: path.stem)
def test_an_invalid_file_is_refused_in_one_line_that_says_why(path: Path) -> None:
    (why,) = stated(path, "refused:")
    with pytest.raises(RetroError) as refusal:
        read_song_bytes(load(path), path.name)
    line = str(refusal.value)
    assert line.startswith(path.name)
    assert why in line
    assert "\n" not in line


def test_a_title_comes_from_the_only_track_else_from_the_file_name() -> None:
    assert read("format0_two_channels").phrase.title == "Harbour"
    assert read("running_status").phrase.title == "running_status"


def test_tempo_may_stand_in_any_track_and_the_first_track_wins() -> None:
    phrase = read("tempo_and_meter_in_second_track").phrase
    assert phrase.tempo.us_per_quarter.starts == (0, 1)
    assert phrase.tempo.us_per_quarter.values == (1_000_000, 500_000)
    assert [str(bar.meter) for bar in phrase.bars] == ["3/4"]
    assert phrase.length_s == 2


def test_a_meter_inside_a_bar_begins_a_new_one() -> None:
    bars = read("meter_inside_a_bar").phrase.bars
    assert [(bar.start_beats, bar.length_beats, str(bar.meter)) for bar in bars] == [
        (0, 2, "4/4"),
        (2, 3, "3/4"),
        (5, 3, "3/4"),
    ]
    assert [bar.is_full for bar in bars] == [False, True, True]
    assert [bar.into_beats for bar in bars] == [2, 0, 0]


def test_a_pick_up_is_bar_1() -> None:
    bars = read("pick_up").phrase.bars
    assert [(bar.start_beats, bar.length_beats) for bar in bars] == [(0, 1), (1, 4)]


def test_key_signatures_are_kept_and_bad_ones_left_out() -> None:
    assert read("signatures_that_mean_nothing").phrase.keys.values == (Key(-3, minor=True),)


def test_a_file_that_states_no_key_has_an_open_one() -> None:
    assert read("pick_up").phrase.keys.values == (OPEN_KEY,)


def test_curves_bend_and_its_range_are_read() -> None:
    (part,) = read("curves").phrase.parts
    assert part.bend_range_semitones == Fraction(25, 2)
    assert part.bend is not None
    assert (part.bend.starts, part.bend.values) == (
        (0, 1, Fraction(3, 2)),
        (0, 4096, 0),
    )
    curves = dict(part.controllers)
    assert set(curves) == {1, 11}
    assert (curves[1].starts, curves[1].values) == ((0, 1, Fraction(3, 2)), (0, 32, 0))
    assert (curves[11].starts, curves[11].values) == ((0, 1), (64, 127))


def test_a_window_begins_with_the_value_that_held_before_it() -> None:
    window = read("curves").phrase.cut(Fraction(5, 4), Fraction(4))
    controller = window.parts[0].controller(1)
    assert controller is not None
    assert controller.values[0] == 32


def test_markers_are_in_order_and_the_song_holds_them() -> None:
    phrase = read("markers").phrase
    assert [(marker.at_beats, marker.text) for marker in phrase.markers] == [
        (0, "Tutti"),
        (5, "Coda"),
        (9, "End"),
    ]
    assert phrase.length_beats == 12


def test_the_song_ends_with_the_bar_of_its_last_sound() -> None:
    assert read("lone_controller").phrase.length_beats == 4
    assert read("late_end_of_track").phrase.length_beats == 4


@pytest.mark.parametrize(
    ("name", "length_s", "ticks"),
    [
        ("timecode_25", Fraction(1, 2), 500),
        ("timecode_25_odd", Fraction(1), 25),
        ("timecode_2997", Fraction(1001, 2000), 30),
    ],
)
def test_timecode_gives_the_right_seconds(name: str, length_s: Fraction, ticks: int) -> None:
    """Source: SMF 1.0; 29.97 frames are 30000/1001 a second (SMPTE ST 12-1)."""
    song = read(name)
    (note,) = song.phrase.parts[0].notes
    assert song.phrase.tempo.seconds_at(note.off_beats) == length_s
    assert song.ticks_per_quarter == ticks
    assert (note.off_beats * ticks).denominator == 1


def test_beat_groups_can_be_set() -> None:
    data = one_track(bytes.fromhex("00FF580407031808 00903C50 60803C40"))
    assert read_song_bytes(data, "a.mid").phrase.bars[0].meter.groups == (2, 2, 3)
    groups = (BeatGroups("7/8", (3, 2, 2)),)
    song = read_song_bytes(data, "a.mid", meter_groups=groups)
    assert song.phrase.bars[0].meter.groups == (3, 2, 2)


def test_beat_groups_that_do_not_fill_the_bar_are_refused() -> None:
    data = one_track(bytes.fromhex("00FF580407031808 00903C50 60803C40"))
    with pytest.raises(SettingsError, match="7/8"):
        read_song_bytes(data, "a.mid", meter_groups=(BeatGroups("7/8", (3, 3)),))


def test_reading_a_path_gives_name_and_checksum(tmp_path: Path) -> None:
    path = tmp_path / "Étude.mid"
    path.write_bytes(load(FOLDER / "valid" / "running_status.hex"))
    song = read_song(path)
    assert (song.name, song.phrase.title) == ("Étude.mid", "Étude")
    assert len(song.sha256) == 64


def test_a_file_beyond_the_size_limit_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smf, "MAX_BYTES", 40)
    with pytest.raises(LimitError, match="MiB"):
        read("curves")


def test_more_events_than_the_limit_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smf, "MAX_EVENTS", 5)
    with pytest.raises(LimitError, match="events"):
        read("curves")


def test_more_notes_than_the_limit_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(midi, "MAX_NOTES", 1)
    with pytest.raises(LimitError, match="notes"):
        read("same_pitch_overlap")


def test_more_parts_than_the_limit_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(midi, "MAX_PARTS", 1)
    with pytest.raises(LimitError, match="parts"):
        read("format0_two_channels")


def test_more_changes_than_the_limit_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(midi, "MAX_CHANGES", 2)
    with pytest.raises(LimitError, match="tempos, meters, keys or markers"):
        read("markers")


def test_reading_leaves_midos_character_set_alone() -> None:
    before = mido.midifiles.meta._charset
    for path in (*VALID, *INVALID):
        with contextlib.suppress(RetroError):
            read_song_bytes(load(path), path.name)
        assert mido.midifiles.meta._charset == before


@pytest.mark.parametrize("text", ["Flûte", "Légère", "Flöte", "Große Trommel", "Señor Ñandú", "ÉÉ"])
def test_western_names_in_latin_1_are_not_taken_for_asian_ones(text: str) -> None:
    assert decode_text(text.encode("latin-1")) == text


@pytest.mark.parametrize("text", ["ヴァイオリン", "ベートーベン　交響曲第７番", "弦楽合奏"])
def test_japanese_names_in_shift_jis_are_read(text: str) -> None:
    assert decode_text(text.encode("cp932")) == text


@given(st.text(st.characters(exclude_categories=("Cs", "Cc", "Zs", "Zl", "Zp"))))
def test_a_name_in_utf_8_comes_out_unchanged(text: str) -> None:
    assert decode_text(text.encode()) == text


@given(st.binary())
def test_any_name_is_decoded(data: bytes) -> None:
    assert isinstance(decode_text(data), str)


def is_read_or_refused(data: bytes) -> bool:
    """Whether bytes give a song that mirrors back (true) or a refusal in one line (false)."""
    refused = ""
    try:
        phrase = read_song_bytes(data, "any.mid").phrase
    except RetroError as refusal:
        refused = str(refusal)
    if refused:
        assert "\n" not in refused
        return False
    assert mirror(mirror(phrase)) == phrase
    assert sum(bar.length_beats for bar in phrase.bars) == phrase.length_beats
    return True


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    is_read_or_refused(data)


@given(st.binary(max_size=120), st.integers(0, 0xFFFF), st.integers(0, 3), st.integers(0, 2))
def test_any_track_is_read_or_refused(events: bytes, division: int, kind: int, count: int) -> None:
    header = chunk(b"MThd", struct.pack(">HHH", kind, count, division))
    is_read_or_refused(header + chunk(b"MTrk", events))


@given(st.sampled_from(VALID), st.data())
def test_any_damage_to_a_valid_file_is_read_or_refused(path: Path, data: st.DataObject) -> None:
    damaged = bytearray(load(path))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(damaged) - 1))
        damaged[at] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(1, len(damaged)))
    is_read_or_refused(bytes(damaged))
    is_read_or_refused(bytes(damaged[:cut]))


TIMES = st.sampled_from([0, 0, 1, 48, 96, 200, 5000])
MESSAGES = st.one_of(
    st.builds(
        mido.Message,
        st.sampled_from(["note_on", "note_off"]),
        channel=st.integers(0, 2),
        note=st.integers(58, 61),
        velocity=st.sampled_from([0, 1, 127]),
        time=TIMES,
    ),
    st.builds(
        mido.Message,
        st.just("control_change"),
        channel=st.integers(0, 2),
        control=st.sampled_from([1, 6, 11, 38, 64, 100, 101, 120, 121, 123]),
        value=st.sampled_from([0, 63, 64, 127]),
        time=TIMES,
    ),
    st.builds(
        mido.Message,
        st.just("pitchwheel"),
        channel=st.integers(0, 2),
        pitch=st.integers(-8192, 8191),
        time=TIMES,
    ),
    st.builds(
        mido.Message, st.just("sysex"), data=st.lists(st.integers(0, 127), max_size=3), time=TIMES
    ),
    st.builds(mido.MetaMessage, st.just("set_tempo"), tempo=st.integers(1, 2**24 - 1), time=TIMES),
    st.builds(
        mido.MetaMessage,
        st.just("time_signature"),
        numerator=st.integers(1, 13),
        denominator=st.sampled_from([1, 2, 4, 8, 16]),
        time=TIMES,
    ),
    st.builds(
        mido.MetaMessage, st.just("marker"), text=st.sampled_from(["a", "b", "c"]), time=TIMES
    ),
)


@given(
    st.lists(st.lists(MESSAGES, max_size=25), min_size=1, max_size=3),
    st.sampled_from([1, 24, 96, 480, 1024]),
)
def test_any_well_made_file_with_a_note_is_read(
    tracks: list[list[mido.Message]], ticks_per_quarter: int
) -> None:
    file = mido.MidiFile(type=1, ticks_per_beat=ticks_per_quarter)
    file.tracks.extend(mido.MidiTrack(track) for track in tracks)
    buffer = io.BytesIO()
    file.save(file=buffer)
    has_note = any(m.type == "note_on" and m.velocity for track in tracks for m in track)
    if has_note and ticks_per_quarter >= 24:
        assert is_read_or_refused(buffer.getvalue())
    elif not has_note:
        with pytest.raises(MidiError, match="no notes"):
            read_song_bytes(buffer.getvalue(), "any.mid")


def test_a_track_without_notes_speaks_for_its_own_port() -> None:
    """Meta event 21 (hexadecimal), the port: files of more than 16 channels have several."""

    def track(port: int | None, *messages: mido.Message) -> mido.MidiTrack:
        meta = [] if port is None else [mido.MetaMessage("midi_port", port=port)]
        return mido.MidiTrack([*meta, *messages])

    def program(number: int) -> mido.Message:
        return mido.Message("program_change", channel=0, program=number)

    notes = [
        mido.Message("note_on", channel=0, note=60),
        mido.Message("note_off", channel=0, note=60, time=96),
    ]
    file = mido.MidiFile(type=1, ticks_per_beat=96)
    file.tracks += [track(1, program(60)), track(0, *notes), track(1, *notes), track(None, *notes)]
    buffer = io.BytesIO()
    file.save(file=buffer)
    parts = read_song_bytes(buffer.getvalue(), "ports.mid").phrase.parts
    assert [part.program for part in parts] == [None, 60, None]
    file.tracks[0] = track(None, program(60))
    buffer = io.BytesIO()
    file.save(file=buffer)
    parts = read_song_bytes(buffer.getvalue(), "ports.mid").phrase.parts
    assert [part.program for part in parts] == [60, 60, 60]


def test_a_track_that_is_spoken_of_is_called_as_in_the_list_of_tracks() -> None:
    # Tracks without notes count in the file and not in the list, so its numbers would mislead.
    file = mido.MidiFile(type=1)
    for name in ("Tempo", "Nothing here", "Bassoon"):
        track = file.add_track(name)
    for program in (70, 71):
        track.append(mido.Message("program_change", program=program))
        track.append(mido.Message("note_on", note=50, velocity=64, time=0))
        track.append(mido.Message("note_off", note=50, time=480))
    written = io.BytesIO()
    file.save(file=written)
    (told,) = read_song_bytes(written.getvalue(), "a.mid").notices
    assert told.what == "track 'Bassoon': later program changes were left out: 1"


@pytest.mark.parametrize(
    ("name", "title"),
    [("Track 7", "a"), ("Spur_02", "a"), ("PISTA 1", "a"), ("Track of the Fox 2", None)],
)
def test_a_track_that_nobody_has_named_names_no_song(name: str, title: str | None) -> None:
    file = mido.MidiFile(type=1)
    file.add_track(name)
    track = file.add_track("Bassoon")
    track.append(mido.Message("note_on", note=50, velocity=64, time=0))
    track.append(mido.Message("note_off", note=50, time=480))
    written = io.BytesIO()
    file.save(file=written)
    assert read_song_bytes(written.getvalue(), "a.mid").phrase.title == (title or name)

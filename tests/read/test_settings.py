"""A settings file is read strictly, every setting can be set, and flags go before the file."""

from dataclasses import fields
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.errors import RetroError, SettingsError
from retro.model.settings import (
    BeatGroups,
    Compensate,
    Habit,
    Landing,
    PaperSize,
    PartSettings,
    Section,
    Settings,
    SoundFormat,
)
from retro.model.sound import Room
from retro.read.settings import FIELDS, PART_KEYS, TABLES, beside, load_settings, read_settings

EVERYTHING = """
title = "A Study"
letter = "b"
onset_db = 12
audible_db = 45.5
compensate = "release"
habit = "start"
landing = "start"
shortest_s = 0.2
grid_beats = "1/3"
straighten_swing = true
count_in_bars = 1
rate = 96000
session_start = "01:00:00:00"
frame_rate = 29.97
lateness_s = 0.02
temperature_c = 23.5
seed = 7

[window]
bars = "21-28"

[room]
reverberation_s = 2.2
direct_to_reverberant_db = -3

[pack]
paper = "concert"
sound_format = "flac"
stems = true
over = "bounces/of  the song.wav"
only = ["sheet", "engineer"]

[meter_groups]
"7/8" = [3, 2, 2]
"5/4" = "2+3"

[[part]]
match = "Gizmo"
instrument = "horn-in-f"
name = "Horn offstage"
landing = "end"
attack_s = 0.05
decay_s = 0.3

[[part]]
match = 3
landing = "start"
"""


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "study.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def refusal(folder: Path, text: str | bytes) -> str:
    with pytest.raises(SettingsError) as caught:
        read_settings(write(folder, text))
    line = str(caught.value)
    assert "\n" not in line
    assert line.startswith(str(folder / "study.toml"))
    return line


def test_every_setting_can_be_set_in_a_file(tmp_path: Path) -> None:
    assert read_settings(write(tmp_path, EVERYTHING)) == Settings(
        bars="21-28",
        room=Room(reverberation_s=2.2, direct_to_reverberant_db=-3.0),
        onset_db=12.0,
        audible_db=45.5,
        compensate=Compensate.RELEASE,
        habit=Habit.START,
        landing=Landing.START,
        shortest_s=0.2,
        grid_beats=Fraction(1, 3),
        straighten_swing=True,
        count_in_bars=1,
        rate=96_000,
        session_start="01:00:00:00",
        frame_rate="29.97",
        lateness_s=0.02,
        letter="B",
        title="A Study",
        meter_groups=(BeatGroups("5/4", (2, 3)), BeatGroups("7/8", (3, 2, 2))),
        temperature_c=23.5,
        seed=7,
        paper=PaperSize.CONCERT,
        sound_format=SoundFormat.FLAC,
        stems=True,
        over="bounces/of  the song.wav",
        only=(Section.ENGINEER, Section.SHEET),
        parts=(
            PartSettings(
                match="Gizmo",
                instrument="horn-in-f",
                name="Horn offstage",
                landing=Landing.END,
                attack_s=0.05,
                decay_s=0.3,
            ),
            PartSettings(match="3", landing=Landing.START),
        ),
    )


def test_the_keys_of_a_file_are_the_fields_of_the_settings() -> None:
    known = {FIELDS.get(key, key) for keys in TABLES.values() for key in keys}
    of_room = {field.name for field in fields(Room)}
    assert set(TABLES["room"]) == of_room
    assert (known - of_room) | {"room", "parts"} == {field.name for field in fields(Settings)}
    assert set(PART_KEYS) == {field.name for field in fields(PartSettings)}


def test_an_empty_file_leaves_every_default(tmp_path: Path) -> None:
    assert read_settings(write(tmp_path, "")) == Settings()
    assert load_settings(None, {}) == Settings()


def test_markers_choose_the_window(tmp_path: Path) -> None:
    text = '[window]\nstart_marker = "B"\nend_marker = "Recovery"'
    settings = read_settings(write(tmp_path, text))
    assert (settings.start_marker, settings.end_marker) == ("B", "Recovery")


def test_flags_go_before_the_file_and_none_leaves_it(tmp_path: Path) -> None:
    path = write(tmp_path, EVERYTHING)
    given_flags = {"reverberation_s": 1.1, "rate": 44_100, "title": None, "habit": Habit.SPEAK}
    settings = load_settings(path, given_flags)
    assert settings.room == Room(reverberation_s=1.1, direct_to_reverberant_db=-3.0)
    assert (settings.rate, settings.title, settings.habit) == (44_100, "A Study", Habit.SPEAK)


def test_a_window_in_the_flags_replaces_the_whole_window_of_the_file(tmp_path: Path) -> None:
    settings = load_settings(write(tmp_path, EVERYTHING), {"start_marker": "B"})
    assert (settings.bars, settings.start_marker) == (None, "B")


def test_a_wrong_flag_is_refused_as_a_flag() -> None:
    with pytest.raises(SettingsError, match=r"flags: reverberation_s = 0: want a number from 0.05"):
        load_settings(None, {"reverberation_s": 0})
    with pytest.raises(SettingsError, match="flags: unknown setting 'tempo'"):
        load_settings(None, {"tempo": 3})


def test_all_that_is_wrong_is_said_in_one_line(tmp_path: Path) -> None:
    line = refusal(tmp_path, 'rate = 1\nonset_bd = 10\n[room]\nreverberation_s = "big"')
    assert "3 settings are wrong" in line
    assert "rate = 1: want one of 44100, 48000" in line
    assert "unknown setting 'onset_bd' (did you mean 'onset_db'?)" in line
    assert "room.reverberation_s = 'big': want a number from 0.05 to 20 s" in line


def test_a_setting_in_the_wrong_table_is_sent_home(tmp_path: Path) -> None:
    assert "it belongs in [room]" in refusal(tmp_path, "reverberation_s = 2")
    assert "it belongs at the top" in refusal(tmp_path, "[room]\nonset_db = 9")


# key and value as TOML writes them; just outside what is accepted.
WRONG = [
    "onset_db = 0.5", "onset_db = 40.5", "onset_db = true", "onset_db = nan", "onset_db = inf",
    "audible_db = 9", "audible_db = 121", 'compensate = "some"', 'habit = "late"',
    'landing = "middle"', "shortest_s = 0", "shortest_s = 2.5", 'grid_beats = "1/5"',
    "grid_beats = 0", "grid_beats = inf", 'grid_beats = "1/0"', 'grid_beats = "5/4"',
    "grid_beats = []", 'swell_beats = "1e999999999"',
    "straighten_swing = 1", "count_in_bars = 9", "count_in_bars = -1", "count_in_bars = 1.5",
    "rate = 7999", "rate = 48000.5", 'session_start = "25:00:00:00"', 'session_start = "noon"',
    'frame_rate = "60"', "frame_rate = true", "lateness_s = 1.5", 'letter = "AAAA"',
    'letter = "1"', 'letter = ""', 'title = ""', "title = 3", "temperature_c = 51", "seed = -1",
    "seed = 4294967296", 'meter_groups = "7/8"', 'meter_groups = {"7/8" = [2, 2]}',
    'meter_groups = {"seven" = [7]}', 'meter_groups = {"7/8" = 7}', "window = 3", "room = []",
    "part = 3", "part = [3]", "[window]\nbars = 0", '[window]\nbars = "9-8"',
    '[window]\nbars = "a"', "[window]\nbars = 1.5", '[window]\nstart_marker = ""',
    '[pack]\npaper = "a3"', '[pack]\nsound_format = "mp3"', '[pack]\nstems = "yes"',
    "[pack]\nonly = []", '[pack]\nonly = ["score"]', '[pack]\nover = ""', "pack = 1",
    "[room]\nreverberation_s = 0.04", "[room]\nreverberation_s = 20.5",
    "[room]\ndirect_to_reverberant_db = 41", '[[part]]\nname = "x"', "[[part]]\nmatch = 1.5",
    '[[part]]\nmatch = "a"\ninstrument = "kazoo"', '[[part]]\nmatch = "a"\nattack_s = 2.1',
    '[[part]]\nmatch = "a"\ndecay_s = 0', '[[part]]\nmatch = "a"\n[[part]]\nmatch = "a"',
    'onset_db = 30\naudible_db = 30', '[window]\nbars = 3\nstart_marker = "B"',
    'frame_rate = "29.97df"\nsession_start = "00:01:00:00"', "a.b.c = 1", "onset_db = 10\nonset_db",
]  # fmt: skip


@pytest.mark.parametrize("text", WRONG)
def test_what_means_nothing_is_refused_in_one_line(tmp_path: Path, text: str) -> None:
    assert refusal(tmp_path, text)


RIGHT = {
    "onset_db = 1": ("onset_db", 1.0),
    "onset_db = 39.5": ("onset_db", 39.5),
    "audible_db = 120": ("audible_db", 120.0),
    "grid_beats = 0.25": ("grid_beats", Fraction(1, 4)),
    "grid_beats = 1": ("grid_beats", Fraction(1)),
    "count_in_bars = 0": ("count_in_bars", 0),
    "count_in_bars = 8": ("count_in_bars", 8),
    "rate = 44100": ("rate", 44_100),
    "rate = 384000": ("rate", 384_000),
    'frame_rate = "29.97df"': ("frame_rate", "29.97df"),
    "frame_rate = 25": ("frame_rate", "25"),
    "[window]\nbars = 33": ("bars", "33"),
    '[window]\nbars = " 33 – 36 "': ("bars", "33-36"),
    'letter = "abc"': ("letter", "ABC"),
    "seed = 0": ("seed", 0),
}


@pytest.mark.parametrize(("text", "wanted"), RIGHT.items(), ids=list(RIGHT))
def test_values_at_their_limits_are_accepted(
    tmp_path: Path, text: str, wanted: tuple[str, object]
) -> None:
    assert getattr(read_settings(write(tmp_path, text)), wanted[0]) == wanted[1]


def test_an_unknown_instrument_is_refused_with_the_near_name(tmp_path: Path) -> None:
    text = '[[part]]\nmatch = "a"\ninstrument = "horn-in-g"'
    assert "horn-in-f" in refusal(tmp_path, text)


def test_a_file_that_is_not_there_or_no_text_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="No such file"):
        read_settings(tmp_path / "nothing.toml")
    assert "UTF-8" in refusal(tmp_path, b'title = "\xff"')
    assert "bytes are no settings file" in refusal(tmp_path, b"#" * 1_000_001)


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path: Path) -> None:
    path = write(tmp_path, b'\xef\xbb\xbftitle = "A"\r\nseed = 3\r\n')
    assert (read_settings(path).title, read_settings(path).seed) == ("A", 3)


def test_the_file_beside_a_target_is_found(tmp_path: Path) -> None:
    target = tmp_path / "study.mid"
    assert beside(target) is None
    path = write(tmp_path, "")
    assert beside(target) == path


@pytest.fixture(scope="module")
def one_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("fuzz") / "study.toml"


keys = st.sampled_from([key for table in TABLES.values() for key in table] + ["part", "x"])
values = st.sampled_from(
    ["1", "-1", "0.5", "nan", "true", '"1/4"', '"A"', "[1]", "{}", "9" * 5000, "[" * 3000, "1e400"]
)
lines = st.builds("{} = {}".format, keys, values) | st.sampled_from(["[room]", "[[part]]"])


@given(st.binary(max_size=200) | st.lists(lines, max_size=6).map("\n".join).map(str.encode))
def test_any_bytes_give_settings_or_one_line(one_file: Path, raw: bytes) -> None:
    one_file.write_bytes(raw)
    try:
        said = repr(read_settings(one_file))
    except RetroError as refused:
        said = str(refused)
    assert "\n" not in said
    assert 0 < len(said) < 5000


def test_bars_that_run_backwards_are_told_the_right_way_round(tmp_path: Path) -> None:
    assert "want the first bar before the last: 3-5" in refusal(tmp_path, '[window]\nbars = "5-3"')


@pytest.mark.parametrize("text", ["[pack]\nrate = " + "7" * 6000, "a = " + "[" * 20_000])
def test_a_file_that_the_reader_of_toml_gives_up_on_is_refused_in_plain_words(
    tmp_path: Path, text: str
) -> None:
    path = tmp_path / "large.toml"
    path.write_text(text)
    with pytest.raises(SettingsError) as refused:
        load_settings(path, {})
    assert "thousands" in str(refused.value)
    assert "sys." not in str(refused.value)

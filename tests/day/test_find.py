"""Takes in long recordings: found by the bleed of the ticks, or by the music; none invented."""

import json
import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import soundfile
from jsonschema import Draft202012Validator
from typer.testing import CliRunner

from retro.cli import app
from retro.day.clicks import patterned_click
from retro.day.compose import Day, compose_day
from retro.day.find import find
from retro.day.patterns import SLOT_S, tick_patterns
from retro.day.reels import reels_of
from retro.day.ticks import hear_patterns
from retro.errors import SettingsError, TakeError
from tests.day.made_takes import Played, day_of, insert_of, played

DOCS = Path(__file__).parents[2] / "docs"
RATE = 48_000
SECONDS = 150
STARTS = (("A", 300_011), ("B", 1_500_000), ("A", 3_000_003), ("D", 4_600_001), ("C", 5_600_000))
"""Where the clicks of the made reel begin."""

FLIGHTS = {"Main": 1_400, "Horns": 44, "Strings": 171}
"""Frames from the headphones to the microphones."""

BLEED_DB = {"Main": -70.0, "Horns": -34.0, "Strings": -50.0}


@dataclass(frozen=True)
class Reel:
    paths: list[Path]
    starts: tuple[tuple[str, int], ...]


def bled(day: Day, microphone: str) -> npt.NDArray[np.float64]:
    """Return what a microphone hears of the clicks, with a room's noise, a cough, and ticks of
    another day.
    """
    chance = np.random.default_rng(len(microphone))
    heard = chance.normal(0.0, 10 ** (-75 / 20), SECONDS * RATE)
    gain = 10 ** (BLEED_DB[microphone] / 20)
    for letter, start in STARTS:
        click = patterned_click(*insert_of(day, letter))
        assert click.rate == RATE
        at = start + FLIGHTS[microphone]
        heard[at : at + len(click.sound)] += gain * click.sound[:, 0]
    cough = chance.normal(0.0, 0.2, RATE // 4) * np.hanning(RATE // 4)
    heard[2_400_000 : 2_400_000 + len(cough)] += cough
    insert, _ = insert_of(day, "A")
    (stranger,) = tick_patterns([("A", "of another day")])
    lost = patterned_click(insert, stranger).sound[: round(2.5 * RATE), 0]
    heard[6_600_000 : 6_600_000 + len(lost)] += gain * lost
    return heard


@pytest.fixture(scope="module")
def reel(day: Day, tmp_path_factory: pytest.TempPathFactory) -> Reel:
    folder = tmp_path_factory.mktemp("reel")
    paths = []
    for name in FLIGHTS:
        path = folder / f"Session 3 {name} 01.wav"
        soundfile.write(path, bled(day, name), RATE, subtype="PCM_24")
        paths.append(path)
    return Reel(paths=paths, starts=STARTS)


def test_all_takes_are_found_and_none_is_invented(day: Day, reel: Reel) -> None:
    takes, found = find(day, reel.paths)
    assert [take.letter for take in takes.takes] == [letter for letter, _ in STARTS]
    assert [take.number for take in takes.takes] == [1, 1, 2, 1, 1]
    for take, heard, (letter, start) in zip(takes.takes, found, STARTS, strict=True):
        click = patterned_click(*insert_of(day, letter))
        flight = FLIGHTS[heard.heard_in]
        wanted = start + click.phrase_start_frame + flight
        assert take.within_frames is not None
        assert abs(take.phrase_start_frame - wanted) <= take.within_frames == 2
        assert [file.microphone for file in take.files] == ["Horns", "Main", "strings"]
    ends = [take.end_frame for take in takes.takes]
    assert ends[:4] == [heard.start_frame for heard in found[1:]]
    assert ends[4] == SECONDS * RATE


def test_a_stated_flight_of_the_click_is_taken_off(day_toml: Path, reel: Reel) -> None:
    metres = 1.0
    text = day_toml.read_text().replace("distance_m = 2.5", f"distance_m = 2.5\nclick_m = {metres}")
    with_flight = day_toml.with_name("with-flight.toml")
    with_flight.write_text(text)
    plain, _ = find(compose_day(day_toml), reel.paths, through=["Horns"])
    taken_off, _ = find(compose_day(with_flight), reel.paths, through=["Horns"])
    frames = round(metres / 343.2 * RATE)  # speed of sound at 20 °C: ISO 9613-1
    for before, after in zip(plain.takes, taken_off.takes, strict=True):
        assert abs(before.phrase_start_frame - after.phrase_start_frame - frames) <= 1


def test_a_microphone_whose_flight_is_stated_places_a_take_before_one_that_hears_it_better(
    day_toml: Path, tmp_path: Path
) -> None:
    stated = day_toml.with_name("stated.toml")
    text = day_toml.read_text()
    stated.write_text(f'{text}\n[[microphone]]\nname = "Harp"\nclick_m = 1.0\n')
    day = compose_day(stated)
    click = patterned_click(*insert_of(day, "A"))
    heard = click.sound[: 5 * RATE, 0]
    paths = []
    for name, gain_db, flight in (("Horns", -20.0, 700), ("Harp", -50.0, 140)):
        sound = np.random.default_rng(flight).normal(0.0, 10 ** (-80 / 20), 8 * RATE)
        sound[RATE + flight : 6 * RATE + flight] += 10 ** (gain_db / 20) * heard
        paths.append(tmp_path / f"{name}.wav")
        soundfile.write(paths[-1], sound, RATE, subtype="PCM_24")
    takes, (found,) = find(day, paths)
    # 1 m is 140 frames: the speed of sound at 20 °C is 343.2 m/s (ISO 9613-1).
    assert found.heard_in == "Harp"
    assert abs(takes.takes[0].phrase_start_frame - (RATE + click.phrase_start_frame)) <= 3


@pytest.mark.parametrize("rate", [44_100, 96_000])
@pytest.mark.parametrize(("noise_db", "is_heard"), [(-20.0, True), (0.0, True), (10.0, False)])
def test_noise_as_loud_as_the_click_changes_nothing_and_louder_is_refused(
    tmp_path: Path, rate: int, noise_db: float, is_heard: bool
) -> None:
    patterns = tick_patterns([(letter, letter * 64) for letter in "ABCD"])
    times_s = np.arange(int(0.008 * rate)) / rate
    tick = np.sin(2 * np.pi * 2637.0 * times_s) * np.cos(0.5 * np.pi * times_s / 0.008) ** 2
    chance = np.random.default_rng(rate)
    level = np.sqrt(np.mean(tick**2)) * 10 ** (noise_db / 20)
    heard = chance.normal(0.0, level, 30 * rate)
    start = 11 * rate + 7
    for slot in patterns[2]:
        at = start + round(slot * SLOT_S * rate)
        heard[at : at + len(tick)] -= tick  # turned over, as a microphone may be
    path = tmp_path / "noisy.wav"
    soundfile.write(path, heard, rate, subtype="FLOAT")
    hits = hear_patterns(path, patterns)
    assert [hit.pattern for hit in hits] == ([2] if is_heard else [])
    assert all(abs(hit.first_tick_frame - start) <= 2 for hit in hits)


def test_an_insert_whose_ticks_nobody_hears_is_found_by_its_music(
    alike: Path, tmp_path: Path
) -> None:
    day = day_of(alike, "A")
    starts = [14 * RATE, 77 * RATE + 5]
    path = played(day, tmp_path / "main.wav", [Played(start) for start in starts])
    takes, found = find(day, [path])
    assert [one.by for one in found] == ["music", "music"]
    for take, start in zip(takes.takes, starts, strict=True):
        assert take.within_frames is not None
        assert abs(take.phrase_start_frame - start) <= take.within_frames


def test_a_take_without_ticks_is_found_on_demand_and_is_of_one_insert(
    alike: Path, tmp_path: Path
) -> None:
    """Insert B is the same music: whoever goes by that alone hears it in every take of A."""
    day = day_of(alike, "AB")
    starts = [20 * RATE, 60 * RATE + 5]
    path = played(day, tmp_path / "main.wav", [Played(starts[0], ticks=True), Played(starts[1])])
    takes, _ = find(day, [path], music=["A"])
    assert [round(take.phrase_start_frame / RATE) for take in takes.takes] == [20, 60]
    assert [take.found_by[:9] for take in takes.takes] == ["the ticks", "the music"]
    assert takes.takes[0].letter == "A"
    with pytest.raises(SettingsError, match="no Insert C; its inserts are A, B"):
        find(day, [path], music=["C"])
    alone, _ = find(day_of(alike, "A"), [path])
    assert [take.found_by[:9] for take in alone.takes] == ["the ticks"]


def test_the_click_track_is_listened_to_alone(day: Day, reel: Reel, tmp_path: Path) -> None:
    folder = tmp_path / "reel"
    folder.mkdir()
    names = {"Main.wav": reel.paths[0], "Click.wav": reel.paths[1]}
    for name, path in names.items():
        (folder / name).symlink_to(path)
    spoken: list[str] = []
    takes, _ = find(day, [folder / name for name in names], say=spoken.append)
    assert {take.found_by for take in takes.takes} == {"the ticks in click"}
    assert [line for line in spoken if "music" not in line] == ["listening to Click.wav"]


def test_what_is_not_there_is_refused(day: Day, tmp_path: Path) -> None:
    path = tmp_path / "noise.wav"
    soundfile.write(path, np.random.default_rng(1).normal(0, 0.01, 30 * RATE), RATE)
    with pytest.raises(TakeError, match="no take of the day"):
        find(day, [path])
    with pytest.raises(SettingsError, match="no file is of the microphone 'Oboe'"):
        find(day, [path], through=["Oboe"])


def test_files_that_run_together_are_one_reel(tmp_path: Path) -> None:
    for name, frames in (
        ("Lantern_Main_1.wav", 4800),
        ("Lantern_Main_2.wav", 4800),
        ("Lantern_1st Horn_1.wav", 4800),
        ("Lantern_1st Horn_2.wav", 4800),
        ("Lantern_Main_3.wav", 9600),
    ):
        soundfile.write(tmp_path / name, np.zeros(frames), RATE)
    reels = reels_of(sorted(tmp_path.iterdir()), ["1st Horn"])
    assert [[track.file.path.name for track in reel.tracks] for reel in reels] == [
        ["Lantern_1st Horn_1.wav", "Lantern_Main_1.wav"],
        ["Lantern_1st Horn_2.wav", "Lantern_Main_2.wav"],
        ["Lantern_Main_3.wav"],
    ]
    assert [track.microphone for track in reels[0].tracks] == ["1st Horn", "main"]


def stamped(path: Path, frames: int, time_reference: int, *, rate: int = RATE) -> Path:
    """Write a silent broadcast wave file by the layout of EBU Tech 3285."""
    sound = bytes(frames * 2)
    bext = struct.pack("<338xQ256x", time_reference)
    form = struct.pack("<HHIIHH", 1, 1, rate, rate * 2, 2, 16)
    chunks = [(b"bext", bext), (b"fmt ", form), (b"data", sound)]
    body = b"".join(name + struct.pack("<I", len(data)) + data for name, data in chunks)
    path.write_bytes(b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body)
    return path


def test_a_file_without_a_stamp_joins_those_of_one_stamp_and_its_length(tmp_path: Path) -> None:
    own = [
        stamped(tmp_path / "F8_0005_Tr04_Winds.WAV", 4800, 3_484_800_000),
        stamped(tmp_path / "F8_0005_Tr05_Horns.WAV", 4800, 3_484_800_000),
        tmp_path / "F8_0005_Tr06_Strings.flac",
    ]
    soundfile.write(own[2], np.zeros(4800), RATE, subtype="PCM_24")
    (reel,) = reels_of(own, ["Winds", "Horns", "Strings"])
    assert {track.microphone for track in reel.tracks} == {"Winds", "Horns", "Strings"}
    assert {reel.offset(track) for track in reel.tracks} == {0}
    assert reel.end_frame == 4800
    other = tmp_path / "F8_0006_Tr04_Winds.wav"
    soundfile.write(other, np.zeros(4800), RATE)
    reels = reels_of([*own[:2], other], ["Winds", "Horns"])
    assert [len(each.tracks) for each in reels] == [2, 1], "a second file of the winds"
    later = stamped(tmp_path / "F8_0005_Tr07_Harp.WAV", 4800, 3_484_802_400)
    reels = reels_of([*own, later], ["Winds", "Horns", "Strings", "Harp"])
    assert [len(each.tracks) for each in reels] == [3, 1], "the stamps differ"


def test_a_file_of_another_rate_is_named_with_what_to_do(tmp_path: Path) -> None:
    paths = [
        stamped(tmp_path / "Main.wav", 4800, 48_000),
        stamped(tmp_path / "Horns.wav", 4800, 48_000),
        stamped(tmp_path / "Hall.wav", 4410, 44_100, rate=44_100),
    ]
    with pytest.raises(TakeError, match=r"Hall.wav: has 44100 Hz.* 48000 Hz; convert it"):
        reels_of(paths, ["Main", "Horns", "Hall"])


def test_the_command_writes_takes_that_a_choice_can_be_made_of(
    day_toml: Path, reel: Reel, tmp_path: Path
) -> None:
    out = tmp_path / "takes.json"
    words = ["day", "find", day_toml, *reel.paths, "--out", out, "--quiet"]
    runner = CliRunner()
    done = runner.invoke(app, [str(word) for word in words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    document = json.loads(out.read_text())
    Draft202012Validator(json.loads((DOCS / "takes.schema.json").read_text())).validate(document)
    assert (out.parent / document["takes"][0]["files"][0]["path"]).samefile(reel.paths[1])
    chosen = runner.invoke(
        app,
        [
            *("day", "choose", str(day_toml), "A = 1:1, 2:2", "--takes", str(out)),
            *("--out", str(tmp_path / "choice.json")),
        ],
    )
    assert chosen.exit_code == 0, chosen.output
    again = runner.invoke(app, [str(word) for word in words if word != "--quiet"])
    assert again.exit_code == 1
    assert not again.output, "refused before anything is listened to"
    assert json.loads(out.read_text()) == document

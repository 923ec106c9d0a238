"""The shipped examples come from their scripts, read whole, can be played, and are decent music."""

import subprocess
import sys
from collections.abc import Iterator
from fractions import Fraction
from importlib import import_module
from itertools import pairwise
from pathlib import Path

import pytest

from retro.model.instruments import Player
from retro.model.phrase import EXPRESSION, MODULATION, SUSTAIN_PEDAL, Key, Part, Phrase
from retro.model.settings import Settings
from retro.read.guess import assign_players
from retro.read.settings import beside, load_settings
from retro.read.target import read_song
from retro.read.window import choose_window

EXAMPLES = Path(__file__).parents[2] / "examples"
TARGET = EXAMPLES / "harbour_pageant.mid"
FILES = (TARGET, *sorted((EXAMPLES / "studies").glob("*.mid")))


@pytest.fixture(scope="module")
def song() -> Phrase:
    return read_song(TARGET).phrase


@pytest.fixture(scope="module")
def target(song: Phrase) -> Phrase:
    settings = load_settings(beside(TARGET), {})
    window = choose_window(song, settings)
    return song.cut(window.start_beats, window.end_beats)


def played(path: Path) -> Iterator[tuple[Phrase, Part, Player]]:
    phrase = read_song(path).phrase
    players, findings = assign_players(phrase, Settings())
    assert findings == ()
    for part, player in zip(phrase.parts, players, strict=True):
        yield phrase, part, player


HARD = sorted((EXAMPLES / "studies" / "hard").glob("*.mid"))


def test_there_are_nine_hard_files() -> None:
    assert [path.stem for path in HARD] == [
        "both_ends", "distant_keys", "divisi", "drums", "five_scripts", "fives", "glissando",
        "high_cello", "uneven_bars",
    ]  # fmt: skip


def test_there_is_one_example_and_six_studies() -> None:
    assert [path.stem for path in FILES] == [
        "harbour_pageant", "hand_played", "horn_chorale", "piano_in_seven", "shimmer", "tutti",
        "violin_run",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("script", "count"),
    [("make_example.py", 1), ("make_studies.py", 6), ("make_hard_studies.py", 9)],
)
def test_the_scripts_reproduce_their_files_byte_for_byte(
    script: str, count: int, tmp_path: Path
) -> None:
    subprocess.run([sys.executable, str(EXAMPLES / script), str(tmp_path)], check=True)
    shipped = {path.name: path for path in (*FILES, *HARD)}
    made = list(tmp_path.iterdir())
    assert len(made) == count
    for path in made:
        assert path.read_bytes() == shipped[path.name].read_bytes(), path.name


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_note_lies_in_its_players_range(path: Path) -> None:
    for _, part, player in played(path):
        pitches = [note.pitch for note in part.notes]
        assert player.instrument.low <= min(pitches), part.name
        assert max(pitches) <= player.instrument.high, part.name


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_tone_fits_into_one_breath(path: Path) -> None:
    for phrase, part, player in played(path):
        for note in part.notes:
            length_s = phrase.tempo.seconds_at(note.off_beats) - phrase.tempo.seconds_at(
                note.on_beats
            )
            assert player.instrument.breath_s is None or length_s <= player.instrument.breath_s


def test_the_song_has_forty_bars_a_short_one_two_keys_and_six_markers(song: Phrase) -> None:
    assert len(song.bars) == 40
    assert [str(bar.meter) for bar in song.bars[23:26]] == ["4/4", "3/4", "4/4"]
    assert song.keys.values == (Key(2), Key(-1))
    assert [marker.text for marker in song.markers][3] == "Turn of the tide"
    assert len(song.markers) == 6


def test_the_ensemble_is_a_harbour_band_with_strings(song: Phrase) -> None:
    players, findings = assign_players(song, Settings())
    assert findings == ()
    assert [player.name for player in players] == [
        "Alto Flute", "Flute 1.2", "English Horn", "Bass Clarinet", "Bassoon 1.2", "Horn in F 1.2",
        "Trumpet in C", "Bass Trombone", "Celesta", "Harp", "Violin I", "Violin II", "Viola",
        "Cello", "Double Bass",
    ]  # fmt: skip


def test_the_target_is_eight_bars_with_slackening_and_recovery(target: Phrase) -> None:
    assert [str(bar.meter) for bar in target.bars] == ["4/4"] * 4 + ["3/4"] + ["4/4"] * 3
    tempi = target.tempo.us_per_quarter.values
    slowest = tempi.index(max(tempi))
    assert 0 < slowest < len(tempi) - 1
    assert list(tempi[: slowest + 1]) == sorted(tempi[: slowest + 1])
    assert list(tempi[slowest:]) == sorted(tempi[slowest:], reverse=True)
    assert target.keys.values == (Key(2), Key(-1))


def test_everybody_plays_in_the_target_and_nothing_is_cut_off(target: Phrase) -> None:
    for part in target.parts:
        assert part.notes, part.name
        assert not any(note.cut_before or note.cut_after for note in part.notes), part.name


def test_the_target_swells_twice_into_its_landings(target: Phrase) -> None:
    horns = next(part for part in target.parts if part.name.startswith("Horns"))
    for number in (EXPRESSION, MODULATION):
        curve = horns.controller(number)
        assert curve is not None
        for start, end in ((0, 16), (16, 31)):
            inside = curve.cut(Fraction(start), Fraction(end))
            assert list(inside.values) == sorted(inside.values)
            assert inside.values[-1] - inside.values[0] > 60
    for name in ("Harp", "Celesta"):
        part = next(part for part in target.parts if part.name == name)
        assert part.controller(SUSTAIN_PEDAL) is not None


def test_the_sustained_tones_of_the_target_let_go_on_its_landings(target: Phrase) -> None:
    sustained = [p for p in target.parts if p.name not in ("Celli", "Harp", "Celesta")]
    let_go = [{note.off_beats for note in part.notes} for part in sustained]
    assert all(Fraction(31) in offs for offs in let_go)
    assert sum(Fraction(16) in offs for offs in let_go) >= len(sustained) - 1


def test_the_harp_rolls_from_low_to_high(target: Phrase) -> None:
    harp = next(part for part in target.parts if part.name == "Harp")
    first = [note for note in harp.notes if note.on_beats < 1]
    assert len({note.on_beats for note in first}) == len(first) == 5
    assert [note.pitch for note in first] == sorted(note.pitch for note in first)


def test_the_celli_are_played_by_hand(target: Phrase) -> None:
    celli = next(part for part in target.parts if part.name == "Celli")
    off_grid = [note for note in celli.notes if (note.on_beats * 4).denominator > 1]
    assert len(off_grid) > len(celli.notes) / 2


def test_the_strings_of_the_target_move_by_small_steps(target: Phrase) -> None:
    for name in ("Violins II", "Horns in F 1-2", "Violas"):
        part = next(part for part in target.parts if part.name == name)
        tops: dict[Fraction, int] = {}
        for note in part.notes:
            tops[note.on_beats] = max(note.pitch, tops.get(note.on_beats, 0))
        assert all(abs(a - b) <= 2 for a, b in pairwise(tops.values())), name


def test_the_chords_of_the_song_are_led_without_parallels(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(EXAMPLES))
    song, leading = import_module("make_example"), import_module("voice_leading")
    for chords, basses in (
        (song.OPENING, song.OPENING_BASS),
        (song.CLOSING, song.CLOSING_BASS),
    ):
        voices = leading.lead(chords, basses)
        full = [(*voicing, bass) for voicing, bass in zip(voices, basses, strict=True)]
        assert sum(leading.parallels(a, b) for a, b in pairwise(full)) == 0
        for chord, voicing in zip(chords, voices, strict=True):
            wanted, heard = leading.pitch_classes(chord), {pitch % 12 for pitch in voicing}
            assert wanted[1] in heard <= set(wanted)
    assert leading.parallels((67, 60), (69, 62)) == 1

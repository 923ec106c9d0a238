"""`retro build` as a person runs it: the whole pack of the shipped example."""

import hashlib
import json
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from retro.cli import app
from retro.cli.build import build
from tests.example import TARGET

WHOLE = {
    "pack.json",
    "plan.json",
    "sheet.html",
    "arranger/target.wav",
    "arranger/played.wav",
    "arranger/flipped.wav",
    "arranger/played.mid",
    "arranger/picture.svg",
    "arranger/picture.png",
    "copyist/score.musicxml",
    "copyist/score.pdf",
    "copyist/notice.musicxml",
    "copyist/notice.pdf",
    "engineer/click.wav",
    "engineer/click.mid",
    "engineer/placement.json",
    "engineer/placement.csv",
}


def run(*arguments: object) -> None:
    result = CliRunner().invoke(app, [str(word) for word in arguments], catch_exceptions=False)
    assert result.exit_code == 0, result.output


@pytest.fixture(scope="module")
def pack(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("build") / "pack"
    run("build", TARGET, "--out", out, "--quiet")
    return out


def files_of(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_pack_holds_what_each_of_the_three_needs(pack: Path) -> None:
    found = set(files_of(pack))
    assert found >= WHOLE
    parts = {name for name in found if name.startswith("copyist/parts/")}
    notices = {name for name in found if name.startswith("copyist/notices/")}
    assert found == WHOLE | parts | notices
    assert len(notices) == 2 * 15
    assert len(parts) >= 2 * 15
    assert "copyist/parts/08-horn-in-f-1.musicxml" in parts


def test_the_same_input_gives_the_same_bytes(pack: Path, tmp_path: Path) -> None:
    run("build", TARGET, "--out", tmp_path / "again", "--quiet")
    assert files_of(tmp_path / "again") == files_of(pack)


def test_flipped_is_played_turned_round_bit_for_bit(pack: Path) -> None:
    played, rate = soundfile.read(pack / "arranger" / "played.wav", dtype="int32")
    flipped, flipped_rate = soundfile.read(pack / "arranger" / "flipped.wav", dtype="int32")
    assert rate == flipped_rate == 48_000
    assert np.any(played)
    assert np.array_equal(flipped, played[::-1])


def test_placement_json_is_the_plans_placement(pack: Path) -> None:
    plan = json.loads((pack / "plan.json").read_text(encoding="utf-8"))
    placement = json.loads((pack / "engineer" / "placement.json").read_text(encoding="utf-8"))
    assert placement == plan["placement"]


def test_a_section_can_be_made_alone(tmp_path: Path) -> None:
    run("build", TARGET, "--out", tmp_path / "pack", "--only", "engineer", "--quiet")
    assert {name.split("/")[0] for name in files_of(tmp_path / "pack")} == {
        "pack.json",
        "plan.json",
        "engineer",
    }


def test_stems_add_up_and_the_song_lies_under_the_flipped_sound(pack: Path, tmp_path: Path) -> None:
    song = tmp_path / "song.wav"
    noise = np.random.default_rng(1).uniform(-0.01, 0.01, (44_100 * 70, 2))
    soundfile.write(song, noise, 44_100, "PCM_24")
    out = tmp_path / "pack"
    run("build", TARGET, "--out", out, "--only", "arranger", "--stems", "--over", song, "--quiet")
    stems = sorted((out / "arranger" / "stems").iterdir())
    assert len(stems) == 15
    total = sum(soundfile.read(stem)[0] for stem in stems)
    flipped, _ = soundfile.read(pack / "arranger" / "flipped.wav")
    assert np.max(np.abs(total - flipped)) < 1e-4
    over, rate = soundfile.read(out / "arranger" / "over.wav")
    assert rate == 48_000
    assert len(over) >= 70 * 48_000


def test_an_existing_pack_is_refused_before_any_work(pack: Path) -> None:
    before = files_of(pack)
    result = CliRunner().invoke(app, ["build", str(TARGET), "--out", str(pack)])
    assert "exists already" in str(result.exception)
    assert files_of(pack) == before


def test_a_watched_target_is_built_again_when_it_is_saved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "target.mid"
    shutil.copy(TARGET, target)
    out = tmp_path / "pack"
    built: list[float] = []
    looks: list[int] = []

    class EnoughError(Exception):
        pass

    def sleep(_: float) -> None:
        if not built:
            built.append((out / "plan.json").stat().st_mtime_ns)
            target.unlink()  # as some programs save
            return
        if not target.exists():
            shutil.copy(TARGET, target)
            target.with_suffix(".toml").write_text('title = "Renamed"')
            return
        looks.append(1)
        assert len(looks) < 50, "the save was not seen"
        if (out / "plan.json").stat().st_mtime_ns != built[0]:
            raise EnoughError

    monkeypatch.setattr(sys.modules["retro.cli.watching"].time, "sleep", sleep)
    with pytest.raises(EnoughError):
        build(target=target, out=out, bars=["21-22"], only=["engineer"], watch=True, quiet=True)

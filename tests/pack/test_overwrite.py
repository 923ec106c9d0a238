"""What a build does to a pack that is there, and to what people have put into it."""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from retro.cli import app
from retro.errors import WriteError
from retro.files.staging import staging_path
from retro.model.settings import Section
from retro.pack.folder import new_pack
from tests.example import TARGET
from tests.files.trees import names, tree

ENGINEER = (Section.ENGINEER,)


def build(target: Path, out: Path, *more: str) -> Result:
    words = ["build", str(target), "--out", str(out), "--bars", "21-22", "--only", "engineer"]
    return CliRunner().invoke(app, [*words, "--quiet", *more])


def write(
    out: Path,
    files: dict[str, str],
    *,
    meanwhile: Callable[[], object] = lambda: None,
    **how: object,
) -> tuple[str, ...]:
    with new_pack(out, **{"overwrite": True, **how}) as pack:
        for name, text in files.items():
            (pack.folder / name).parent.mkdir(parents=True, exist_ok=True)
            (pack.folder / name).write_text(text)
        meanwhile()
    return pack.left


@pytest.fixture
def pack(tmp_path: Path) -> Path:
    out = tmp_path / "pack"
    write(out, {"plan.json": "1", "engineer/click.wav": "1", "copyist/score.pdf": "1"})
    return out


def test_the_manifest_lists_every_file_with_its_hash(tmp_path: Path) -> None:
    out = tmp_path / "pack"
    assert build(TARGET, out).exit_code == 0
    manifest = json.loads((out / "pack.json").read_bytes())
    assert manifest["schema"] == "retro-pack/1"
    command = ["sha256sum", *(file["path"] for file in manifest["files"])]
    told = subprocess.run(command, cwd=out, capture_output=True, text=True, check=True).stdout
    assert told.split()[::2] == [file["sha256"] for file in manifest["files"]]
    assert {file["path"] for file in manifest["files"]} | {"pack.json"} == set(tree(out))


def test_a_strangers_file_stays_and_is_named(pack: Path) -> None:
    (pack / "notes.txt").write_text("mine")
    (pack / "engineer" / "take 1.wav").write_text("mine")
    (pack / "empty").mkdir()
    (pack / "link").symlink_to("notes.txt")
    left = write(pack, {"plan.json": "2", "engineer/click.wav": "2"})
    assert left == ("link", "notes.txt", "engineer/take 1.wav")
    assert tree(pack, without="pack.json") == {
        "plan.json": "2",
        "engineer/click.wav": "2",
        "engineer/take 1.wav": "mine",
        "notes.txt": "mine",
        "empty": None,
        "link": "-> notes.txt",
    }


def test_a_changed_file_stays_and_is_named_and_is_still_known(pack: Path) -> None:
    (pack / "engineer" / "click.wav").write_text("louder")
    for _ in range(2):
        assert write(pack, {"plan.json": "2", "engineer/click.wav": "2"}) == ("engineer/click.wav",)
        assert (pack / "engineer" / "click.wav").read_text() == "louder"
    (pack / "engineer" / "click.wav").unlink()
    assert write(pack, {"plan.json": "2", "engineer/click.wav": "2"}) == ()
    assert (pack / "engineer" / "click.wav").read_text() == "2"


def test_a_file_that_a_person_removed_comes_anew(pack: Path) -> None:
    (pack / "plan.json").unlink()
    assert write(pack, {"plan.json": "2"}) == ()
    assert tree(pack, without="pack.json") == {"plan.json": "2"}


def test_a_strangers_file_where_the_pack_wants_a_folder_is_refused(pack: Path) -> None:
    shutil.rmtree(pack / "copyist")
    (pack / "copyist").write_text("mine")
    before = tree(pack)
    with pytest.raises(WriteError, match="in the way"):
        write(pack, {"plan.json": "2", "copyist/score.pdf": "2"})
    assert tree(pack) == before


def test_a_link_where_the_pack_wants_a_folder_is_refused(pack: Path, tmp_path: Path) -> None:
    shutil.move(pack / "copyist", tmp_path / "elsewhere")
    (pack / "copyist").symlink_to(tmp_path / "elsewhere")
    before = tree(tmp_path)
    with pytest.raises(WriteError, match="in the way"):
        write(pack, {"plan.json": "2", "copyist/score.pdf": "2"})
    assert tree(tmp_path) == before


def test_what_is_the_same_is_the_very_same_file(pack: Path) -> None:
    before = (pack / "engineer" / "click.wav").stat()
    write(pack, {"plan.json": "2", "engineer/click.wav": "1"})
    after = (pack / "engineer" / "click.wav").stat()
    assert (after.st_ino, after.st_mtime_ns) == (before.st_ino, before.st_mtime_ns)


def test_one_section_is_renewed_and_the_others_stay(pack: Path) -> None:
    write(pack, {"plan.json": "2", "engineer/click.wav": "2"}, sections=ENGINEER)
    assert tree(pack, without="pack.json") == {
        "plan.json": "2",
        "engineer/click.wav": "2",
        "copyist/score.pdf": "1",
    }
    write(pack, {"plan.json": "3"})
    assert tree(pack, without="pack.json") == {"plan.json": "3"}


@pytest.mark.parametrize(
    "files",
    [
        {"plan.json": '{"terraform":1}', "main.c": "int main;"},
        {"pack.json": "{}"},
        {"pack.json": '{"schema": "retro-pack/9", "version": "9", "files": []}'},
        {"letter.txt": "mine"},
    ],
)
def test_a_folder_without_our_manifest_is_refused_whole(
    files: dict[str, str], tmp_path: Path
) -> None:
    out = tmp_path / "work"
    out.mkdir()
    for name, text in files.items():
        (out / name).write_text(text)
    result = build(TARGET, out, "--overwrite")
    assert isinstance(result.exception, WriteError)
    assert "is not a pack" in str(result.exception)
    assert tree(out) == files


def test_an_empty_folder_may_become_a_pack(tmp_path: Path) -> None:
    out = tmp_path / "pack"
    out.mkdir()
    assert isinstance(build(TARGET, out).exception, WriteError)
    assert build(TARGET, out, "--overwrite").exit_code == 0
    assert (out / "pack.json").is_file()


def test_a_pack_where_the_target_lies_is_refused(tmp_path: Path) -> None:
    target = tmp_path / "song" / "target.mid"
    target.parent.mkdir()
    shutil.copy(TARGET, target)
    write(tmp_path / "song2", {"plan.json": "1"})
    (tmp_path / "link").symlink_to(target.parent)
    before = tree(tmp_path)
    for out in (target.parent, target, tmp_path, tmp_path / "link", target / "pack"):
        result = build(target, out, "--overwrite")
        assert isinstance(result.exception, WriteError), out
        assert "its input" in str(result.exception)
        assert tree(tmp_path) == before


@pytest.mark.parametrize("overwrite", [False, True])
def test_a_folder_made_meanwhile_is_not_replaced(overwrite: bool, tmp_path: Path) -> None:
    out = tmp_path / "pack"

    def makes() -> None:
        out.mkdir()
        (out / "letter.txt").write_text("mine")

    with pytest.raises(WriteError, match=r"exists already|is not a pack"):
        write(out, {"plan.json": "1"}, overwrite=overwrite, meanwhile=makes)
    assert tree(tmp_path) == {"pack/letter.txt": "mine"}


def test_a_folder_made_in_the_last_moment_is_not_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "pack"
    real = Path.rename

    def makes(path: Path, to: Path) -> Path:
        out.mkdir()
        return real(path, to)

    with pytest.raises(WriteError, match="made meanwhile"):
        write(
            out,
            {"plan.json": "1"},
            overwrite=False,
            meanwhile=lambda: monkeypatch.setattr(Path, "rename", makes),
        )
    assert tree(tmp_path) == {"pack": None}


def test_of_two_builds_into_one_place_one_wins_and_the_other_ends_with_1(tmp_path: Path) -> None:
    words = ["build", str(TARGET), "--out", str(tmp_path / "pack"), "--only", "engineer"]
    both = [
        subprocess.Popen([sys.executable, "-m", "retro", *words], stderr=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    told = [run.communicate()[1] for run in both]
    assert sorted(run.returncode for run in both) == [0, 1], told
    loser = told[[run.returncode for run in both].index(1)]
    assert "another run" in loser or "exists already" in loser
    assert set(tree(tmp_path)) >= {"pack/pack.json", "pack/engineer/click.wav"}
    assert names(tmp_path) == ["pack"]


def test_a_second_build_is_refused_while_one_writes(tmp_path: Path) -> None:
    with new_pack(tmp_path / "pack", overwrite=False) as new:
        (new.folder / "plan.json").write_text("1")
        with pytest.raises(WriteError, match="another run"):
            write(tmp_path / "pack", {"plan.json": "2"})
        write(tmp_path / "other", {"plan.json": "3"})
    assert tree(tmp_path / "pack", without="pack.json") == {"plan.json": "1"}


def test_an_interrupt_keeps_the_old_pack_and_leaves_nothing_else(pack: Path) -> None:
    before = tree(pack)

    def stops() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write(pack, {"plan.json": "2"}, meanwhile=stops)
    assert tree(pack) == before
    assert names(pack.parent) == ["pack"]


def test_what_a_killed_run_left_is_cleared_by_the_next(pack: Path) -> None:
    scratch = staging_path(pack)
    (scratch / "new" / "engineer").mkdir(parents=True)
    (scratch / "new" / "engineer" / "click.wav").write_text("half")
    write(pack, {"plan.json": "2"})
    assert names(pack.parent) == ["pack"]


def test_a_strangers_file_in_a_replaced_pack_comes_back_after_a_kill(pack: Path) -> None:
    """The state after the exchange on a disk without hard links, where strangers are moved."""
    scratch = staging_path(pack)
    scratch.mkdir()
    pack.rename(scratch / "whole")
    (scratch / "whole" / "notes.txt").write_text("mine")
    write_into = {"plan.json": "2", "engineer/click.wav": "2", "copyist/score.pdf": "2"}
    other = pack.with_name("other")
    write(other, write_into)
    other.rename(pack)
    write(pack, write_into)
    assert tree(pack, without="pack.json") == {**write_into, "notes.txt": "mine"}
    assert names(pack.parent) == ["pack"]


def test_the_first_half_of_an_exchange_is_undone_after_a_kill(pack: Path) -> None:
    """The state between the two renames on a system that cannot exchange folders."""
    before = tree(pack)
    scratch = staging_path(pack)
    scratch.mkdir()
    pack.rename(scratch / "aside")
    with pytest.raises(ValueError, match="stop"), new_pack(pack, overwrite=True):
        raise ValueError("stop")
    assert tree(pack) == before


def test_a_disk_without_hard_links_and_exchange_loses_nothing(
    pack: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuses(*_: object, **__: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuses)
    monkeypatch.setattr("retro.files.renaming._library_call", lambda: None)
    (pack / "notes.txt").write_text("mine")
    (pack / "plan.json").write_text("changed")
    wanted = {"plan.json": "2", "engineer/click.wav": "2"}
    assert write(pack, wanted, sections=ENGINEER) == ("notes.txt", "plan.json")
    assert tree(pack, without="pack.json") == {
        "plan.json": "changed",
        "engineer/click.wav": "2",
        "copyist/score.pdf": "1",
        "notes.txt": "mine",
    }
    assert names(pack.parent) == ["pack"]

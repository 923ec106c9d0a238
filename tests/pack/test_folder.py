from pathlib import Path

import pytest

from retro.errors import WriteError
from retro.pack.folder import new_pack


def write_pack(out: Path, text: str, *, overwrite: bool = False) -> None:
    with new_pack(out, overwrite=overwrite) as pack:
        (pack.folder / "plan.json").write_text(text)


def test_a_pack_appears_whole_and_leaves_nothing_else_behind(tmp_path: Path) -> None:
    write_pack(tmp_path / "pack", "one")
    assert [p.name for p in tmp_path.iterdir()] == ["pack"]
    assert (tmp_path / "pack" / "plan.json").read_text() == "one"


def test_a_failure_in_the_middle_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="middle"), new_pack(tmp_path / "pack", overwrite=False):
        raise ValueError("middle")
    assert list(tmp_path.iterdir()) == []


def test_an_existing_pack_is_refused_and_kept(tmp_path: Path) -> None:
    write_pack(tmp_path / "pack", "one")
    with pytest.raises(WriteError, match="exists already"):
        write_pack(tmp_path / "pack", "two")
    assert (tmp_path / "pack" / "plan.json").read_text() == "one"


def test_overwrite_replaces_a_pack(tmp_path: Path) -> None:
    write_pack(tmp_path / "pack", "one")
    write_pack(tmp_path / "pack", "two", overwrite=True)
    assert (tmp_path / "pack" / "plan.json").read_text() == "two"
    assert [p.name for p in tmp_path.iterdir()] == ["pack"]


def test_a_failed_overwrite_keeps_the_old_pack(tmp_path: Path) -> None:
    write_pack(tmp_path / "pack", "one")
    with (
        pytest.raises(ValueError, match="middle"),
        new_pack(tmp_path / "pack", overwrite=True),
    ):
        raise ValueError("middle")
    assert (tmp_path / "pack" / "plan.json").read_text() == "one"


def test_overwrite_never_replaces_what_is_not_a_pack(tmp_path: Path) -> None:
    folder = tmp_path / "letters"
    folder.mkdir()
    (folder / "letter.txt").write_text("keep me")
    with pytest.raises(WriteError, match="not a pack"):
        write_pack(folder, "two", overwrite=True)
    link = tmp_path / "link"
    link.symlink_to(folder)
    with pytest.raises(WriteError, match="not a pack"):
        write_pack(link, "two", overwrite=True)
    assert (folder / "letter.txt").read_text() == "keep me"


def test_a_missing_parent_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="does not exist"):
        write_pack(tmp_path / "no" / "pack", "one")

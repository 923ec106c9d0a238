"""What a new pack takes over from the folder whose place it takes.

A file is carried by a second hard link: it is the same file in both folders until the old one is
cleared away. Where the file system has no such links it is moved once the new folder stands.
"""

import contextlib
import os
import shutil
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from retro.errors import ReadError, WriteError
from retro.files.hashes import file_sha256
from retro.files.renaming import put_back, rename_new
from retro.model.settings import Section
from retro.pack.manifest import (
    MANIFEST_NAME,
    PackFile,
    PackManifest,
    read_pack_manifest,
)

SECTION_PATHS = {
    Section.ARRANGER: "arranger",
    Section.COPYIST: "copyist",
    Section.ENGINEER: "engineer",
    Section.SHEET: "sheet.html",
}
"""The folder, or the file, of each section."""

MAX_FREE_NAMES = 1000


@dataclass(slots=True, kw_only=True)
class Carried:
    """What was carried over: paths that are not new, entries of the old manifest that still hold.

    `left` are paths of strangers and of changed files, `older` sections that were left as they
    were.
    """

    paths: set[PurePosixPath] = field(default_factory=set)
    listed: list[PackFile] = field(default_factory=list)
    left: tuple[str, ...] = ()
    older: tuple[str, ...] = ()


def carry_over(
    old: Path,
    new: Path,
    *,
    manifest: PackManifest,
    written: Mapping[PurePosixPath, PackFile],
    sections: Collection[Section],
) -> Carried:
    """Carry over from the old pack, of that manifest, what the new one does not replace.

    `written` are the entries of what was written anew, by path, and `sections` their sections.

    Raises
    ------
    WriteError
        If a stranger's file stands where the pack needs a folder, or the other way round.
    """
    carried = Carried()
    entries = {PurePosixPath(entry.path): entry for entry in manifest.files}
    kept = {SECTION_PATHS[section] for section in Section if section not in sections}
    left: list[str] = []
    older: set[str] = set()
    for path in walk(old):
        if str(path) == MANIFEST_NAME:
            continue
        entry = entries.get(path)
        section = path.parts[0]
        is_own = entry is not None and _is_unchanged(old / path, entry)
        if is_own and section not in kept and written.get(path) != entry:
            continue
        _refuse_in_the_way(old, new, path)
        if entry is not None:
            carried.listed.append(entry)
        if not is_own:
            left.append(str(path))
        elif section in kept:
            older.add(section)
        carried.paths.add(path)
        _link(old, new, path)
    _carry_empty_folders(old, new, entries)
    carried.left = tuple(left)
    carried.older = tuple(sorted(older))
    return carried


def recover(scratch: Path, *, out: Path) -> None:
    """End or undo what a run had begun when it was stopped, and clear its temporary folder.

    What stands in `whole` is a new pack that was not moved in, or the old one that it replaced.
    Either way its own files are not needed any more and everything else belongs into `out`, where
    most of it is already.
    """
    put_back(scratch / "aside", out)
    for tree in (scratch / "aside", scratch / "whole"):
        if tree.is_dir():
            _bring_back(tree, out)
    if (scratch / "new").is_dir():
        shutil.rmtree(scratch / "new")


def walk(folder: Path) -> Iterator[PurePosixPath]:
    """Yield the path of everything in a folder that is not itself a folder, in order."""
    for inner, folders, files in os.walk(folder):
        folders.sort()
        here = Path(inner)
        links = [name for name in folders if (here / name).is_symlink()]
        for name in sorted([*files, *links]):
            yield PurePosixPath((here / name).relative_to(folder).as_posix())


def _is_unchanged(path: Path, entry: PackFile) -> bool:
    return (
        path.is_file()
        and not path.is_symlink()
        and path.stat().st_size == entry.bytes
        and file_sha256(path) == entry.sha256
    )


def _refuse_in_the_way(old: Path, new: Path, path: PurePosixPath) -> None:
    blocked = (new / path).is_dir() or any((new / above).is_file() for above in path.parents)
    if blocked:
        raise WriteError(
            "is in the way of a file or folder of the pack",
            where=old / path,
            advice="move it away, or choose another --out",
        )


def _link(old: Path, new: Path, path: PurePosixPath) -> None:
    """Let a file stand in the new folder, too; what was written anew there gives way."""
    target = new / path
    _make_folders(old, new, path.parent)
    target.unlink(missing_ok=True)
    with contextlib.suppress(OSError):  # no hard links here: `_bring_back` moves it
        os.link(old / path, target, follow_symlinks=False)


def _make_folders(old: Path, new: Path, path: PurePosixPath) -> None:
    for folder in [*reversed(path.parents), path]:
        if not (new / folder).is_dir():
            (new / folder).mkdir()
            shutil.copystat(old / folder, new / folder)


def _carry_empty_folders(old: Path, new: Path, entries: Mapping[PurePosixPath, PackFile]) -> None:
    own = {folder for path in entries for folder in path.parents}
    for inner, folders, files in os.walk(old):
        path = PurePosixPath(Path(inner).relative_to(old).as_posix())
        if not folders and not files and path not in own:
            if any((new / part).is_file() for part in [path, *path.parents]):
                raise WriteError("is in the way of a file of the pack", where=old / path)
            _make_folders(old, new, path)


def _bring_back(tree: Path, out: Path) -> None:
    """Clear a folder whose place `out` has taken; what is not the pack's own goes into `out`."""
    own = _entries(tree)
    wanted = _entries(out)
    manifest_last = sorted(walk(tree), key=lambda path: str(path) == MANIFEST_NAME)
    for path in manifest_last:  # a run that is killed here leaves the next one its list
        file, place = tree / path, out / path
        entry = own.get(path)
        is_missing = entry == wanted.get(path) and not os.path.lexists(place)
        is_done = _stands(file, place) or (own and str(path) == MANIFEST_NAME)
        if is_done or (entry is not None and not is_missing and _is_unchanged(file, entry)):
            file.unlink()
        else:
            _move_to_free_name(file, place)
    for inner, folders, _ in os.walk(tree, topdown=False):
        for name in folders:
            with contextlib.suppress(OSError):
                (Path(inner) / name).rmdir()
    with contextlib.suppress(OSError):  # somebody put a file there just now
        tree.rmdir()


def _entries(folder: Path) -> dict[PurePosixPath, PackFile]:
    try:
        files = read_pack_manifest(folder).files
    except ReadError:
        return {}
    return {PurePosixPath(entry.path): entry for entry in files}


def _stands(file: Path, place: Path) -> bool:
    try:
        return os.path.samestat(file.lstat(), place.lstat())
    except OSError:
        return False


def _move_to_free_name(file: Path, place: Path) -> None:
    place.parent.mkdir(parents=True, exist_ok=True)
    for number in range(1, MAX_FREE_NAMES):
        free = place if number == 1 else place.with_stem(f"{place.stem} ({number})")
        try:
            rename_new(file, free)
        except FileExistsError:
            continue
        return

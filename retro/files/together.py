"""A few files of one folder that are written as one.

They are staged with a journal beside them. Until the staging folder is called ``ready`` nothing has
happened; from then on the next run ends what this one began. One file alone needs no journal: its
rename is the step.
"""

import hashlib
import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import msgspec

from retro.errors import WriteError
from retro.files.renaming import flush_file, flush_folder, rename_new
from retro.files.staging import naming_the_output, staged, staging_path

JOURNAL = "journal"

Changes = Mapping[Path, bytes | None]
"""What each file shall hold, in the order of writing; None removes it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    name: str
    number: int
    was_sha256: str | None
    removes: bool


@contextmanager
def together(output: Path) -> Iterator[Callable[[Changes], None]]:
    """Hold an output, and yield what writes it and the files that go with it.

    What is called replaces what stands there when it is called: look before, inside the block.

    Raises
    ------
    WriteError
        If another run holds the output, a file changes meanwhile, or nothing can be written.
    """
    output = output.absolute()
    with (
        naming_the_output(output),
        staged(output, recover=partial(_recover, folder=output.parent)) as scratch,
    ):
        yield partial(_put, scratch, output.parent)


def is_unfinished(output: Path) -> bool:
    """Return whether a run was stopped amid the renames of an output."""
    return (staging_path(output.absolute()) / "ready").is_dir()


def _put(scratch: Path, folder: Path, changes: Changes) -> None:
    steps = [
        _Step(name=path.name, number=number, was_sha256=_sha256(path), removes=data is None)
        for number, (path, data) in enumerate(changes.items())
    ]
    new = scratch / "new"
    new.mkdir()
    for step, data in zip(steps, changes.values(), strict=True):
        if data is not None:
            _write(new / str(step.number), data)
    if len(steps) > 1:
        _write(new / JOURNAL, msgspec.json.encode(steps))
        flush_folder(new)
        ready = new.rename(scratch / "ready")
    else:
        ready = new
    for step in steps:
        if not _take(step, ready, folder):
            raise WriteError("was made or changed meanwhile", where=folder / step.name)
    flush_folder(folder)


def _write(path: Path, data: bytes) -> None:
    path.write_bytes(data)
    flush_file(path)


def _take(step: _Step, ready: Path, folder: Path) -> bool:
    """Take one step, unless it was taken; return whether what it replaces is what was there."""
    staged_file, place = ready / str(step.number), folder / step.name
    if not step.removes and not staged_file.exists():
        return True
    if _sha256(place) != step.was_sha256:
        return step.removes and not place.exists()
    if step.removes:
        place.unlink(missing_ok=True)
    elif step.was_sha256 is not None:
        staged_file.replace(place)
    else:
        try:
            rename_new(staged_file, place)
        except FileExistsError:
            return False
    return True


def _recover(scratch: Path, *, folder: Path) -> None:
    ready = scratch / "ready"
    if (ready / JOURNAL).is_file():
        for step in msgspec.json.decode((ready / JOURNAL).read_bytes(), type=list[_Step]):
            _take(step, ready, folder)
    for tree in (ready, scratch / "new"):
        if tree.is_dir():
            shutil.rmtree(tree)


def _sha256(path: Path) -> str | None:
    """Return the hash of what stands there: None if nothing does, and a word for a link."""
    if not os.path.lexists(path):
        return None
    if path.is_symlink() or not path.is_file():
        raise WriteError("is a link or a folder, which is left alone", where=path)
    return hashlib.sha256(path.read_bytes()).hexdigest()

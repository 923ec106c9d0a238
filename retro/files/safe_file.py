"""Files that appear under their name whole, or not at all; and one writer a folder.

A file is written under a temporary name beside its place, flushed to the disk, and renamed. A run
that was killed leaves at most temporaries, which the next run removes.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from retro.errors import WriteError
from retro.files.renaming import rename_new
from retro.files.signals import ending_by_exception

try:
    import fcntl
except ImportError:  # Windows has no such locks; there two runs are not told apart
    fcntl = None  # type: ignore[assignment]

TEMPORARY_SUFFIX = ".retro-part"


def temporary_path(path: Path) -> Path:
    """Return the name under which a file is written."""
    return path.with_name(f".{path.name}{TEMPORARY_SUFFIX}")


@contextmanager
def one_writer(folder: Path) -> Iterator[None]:
    """Hold a folder for this run, and clear away what killed runs have left in it.

    Raises
    ------
    WriteError
        If another run is writing there.
    """
    handle = lock(folder, folder)
    try:
        for stale in folder.glob(f".*{TEMPORARY_SUFFIX}"):
            if not stale.is_dir():  # such a folder belongs to another output; see `staging`
                stale.unlink()
        with ending_by_exception():
            yield
    finally:
        if handle is not None:
            os.close(handle)


def lock(folder: Path, output: Path) -> int | None:
    """Lock a folder and return its handle, or None where the system has no locks.

    Raises
    ------
    WriteError
        If another run holds it; it names `output`.
    """
    handle = os.open(folder, os.O_RDONLY) if fcntl else None
    if handle is None:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise WriteError("another run of retro is writing this", where=output) from None
    except OSError:
        return handle  # some network drives have no locks
    return handle


@contextmanager
def whole_file(path: Path, *, replaces: bool = True, flushes: bool = True) -> Iterator[BinaryIO]:
    """Yield a file that gets its name when the block ends well; `one_writer` holds its folder.

    It replaces what has that name by then, unless told otherwise, and its bytes reach the disk
    first.

    Raises
    ------
    FileExistsError
        If something has that name and is not to be replaced.
    """
    temporary = temporary_path(path)
    try:
        with temporary.open("xb") as file:
            yield file
            file.flush()
            if flushes:
                os.fsync(file.fileno())
        if replaces:
            temporary.replace(path)
        else:
            rename_new(temporary, path)
    except BaseException as fault:
        temporary.unlink(missing_ok=True)
        if isinstance(fault, OSError) and fault.filename in (None, str(temporary)):
            fault.filename = str(path)  # the temporary name says nothing to a person
        raise

"""Files that appear under their name whole, or not at all; and one writer a folder.

A file is written under a temporary name beside its place, flushed to the disk, and renamed. A run
that was killed leaves at most temporaries, which the next run removes.
"""

import contextlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from retro.errors import WriteError

try:
    import fcntl
except ImportError:  # Windows has no such locks; there two runs are not told apart
    fcntl = None  # type: ignore[assignment]

TEMPORARY_SUFFIX = ".retro-part"


def temporary_path(path: Path) -> Path:
    """Give the name under which a file is written."""
    return path.with_name(f".{path.name}{TEMPORARY_SUFFIX}")


@contextmanager
def one_writer(folder: Path) -> Iterator[None]:
    """Hold a folder for this run, and clear away what killed runs have left in it.

    Raises
    ------
    WriteError
        If another run is writing there.
    """
    handle = os.open(folder, os.O_RDONLY) if fcntl else None
    try:
        if handle is not None:
            _lock(handle, folder)
        for stale in folder.glob(f".*{TEMPORARY_SUFFIX}"):
            stale.unlink()
        yield
    finally:
        if handle is not None:
            os.close(handle)


def _lock(handle: int, folder: Path) -> None:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise WriteError("another run of retro is writing into this folder", where=folder) from None
    except OSError:
        return  # some network drives have no locks


@contextmanager
def whole_file(path: Path, *, flushes: bool = True) -> Iterator[BinaryIO]:
    """Give a file that gets its name, replacing what is there, when the block ends well.

    With `flushes` its bytes reach the disk before it gets the name.
    """
    temporary = temporary_path(path)
    try:
        with temporary.open("xb") as file:
            yield file
            file.flush()
            if flushes:
                os.fsync(file.fileno())
        temporary.replace(path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def flush_folder(folder: Path) -> None:
    """Let new names reach the disk where the system can do that; the files themselves have."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)

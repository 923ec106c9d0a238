"""A temporary neighbour for an output: made, locked, and cleared away.

Everything that is to become ``NAME`` is written into the folder ``.NAME.retro-part`` beside it, and
moved from there in whole. The folder is also the lock: who holds it is the one run that writes this
output. The system lets go of it when a run is killed; the next run finds the folder, undoes or ends
what was begun, and clears it.
"""

import contextlib
import hashlib
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from retro.errors import WriteError
from retro.files.safe_file import TEMPORARY_SUFFIX, lock
from retro.files.signals import ending_by_exception

MAX_NAME_BYTES = 255
"""Of a file name, on every common file system."""


def staging_path(output: Path) -> Path:
    """Return the temporary folder of an output."""
    name = f".{output.name}{TEMPORARY_SUFFIX}"
    if len(os.fsencode(name)) > MAX_NAME_BYTES:
        name = f".{hashlib.sha256(os.fsencode(output.name)).hexdigest()}{TEMPORARY_SUFFIX}"
    return output.with_name(name)


@contextmanager
def staged(output: Path, *, recover: Callable[[Path], None]) -> Iterator[Path]:
    """Hold an output for this run and yield the temporary folder beside it.

    `recover` is called with that folder at the start, and at the end however that comes: it ends or
    undoes what was begun, and empties the folder.

    Raises
    ------
    WriteError
        If another run holds this output, or its folder cannot be written to.
    """
    scratch = staging_path(output)
    handle = _hold(scratch, output)
    try:
        with ending_by_exception():
            try:
                recover(scratch)
                yield scratch
            finally:
                recover(scratch)
                with contextlib.suppress(OSError):  # what could not be cleared stays, and is ours
                    scratch.rmdir()
    finally:
        if handle is not None:
            os.close(handle)


@contextmanager
def naming_the_output(output: Path) -> Iterator[None]:
    """Let a fault of the disk name the output, and not a temporary file that is gone by then.

    Raises
    ------
    WriteError
        For an `OSError` that names no file, or one in the temporary folder.
    """
    try:
        yield
    except OSError as fault:
        named = fault.filename2 or fault.filename
        if named is not None and not str(named).startswith(str(staging_path(output))):
            raise
        raise WriteError(f"could not be written ({fault.strerror or fault})", where=output) from (
            fault
        )


def _hold(scratch: Path, output: Path) -> int | None:
    """Make the folder and lock it; return its handle where the system has locks."""
    while True:
        try:
            scratch.mkdir(exist_ok=True)
        except FileNotFoundError:
            raise WriteError(
                "this folder does not exist", where=output.parent, advice="make it first"
            ) from None
        except NotADirectoryError:
            raise WriteError("this is no folder", where=output.parent) from None
        except OSError as fault:
            raise WriteError(
                f"nothing can be written here ({fault.strerror})", where=output.parent
            ) from None
        try:
            handle = lock(scratch, output)
        except FileNotFoundError:
            continue  # the run that held it went away just now, and the folder with it
        if handle is None or _is_same(handle, scratch):
            return handle
        os.close(handle)


def _is_same(handle: int, folder: Path) -> bool:
    try:
        status = folder.stat()
    except FileNotFoundError:
        return False
    return os.path.samestat(os.fstat(handle), status)

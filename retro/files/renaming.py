"""Renames that replace nothing, and the exchange of two folders in one step.

Linux has both as one call (`renameat2`, Linux 3.15). Where the system or its file system has it
not, a file gets its name by a hard link, which never replaces; a folder by a plain rename, which
replaces an empty folder at most; and two folders change places by three renames, of which
`put_back` undoes the first after a kill.
"""

import ctypes
import errno
import os
import sys
from pathlib import Path

AT_FDCWD = -100
RENAME_NOREPLACE = 1
RENAME_EXCHANGE = 2
"""Of Linux's ``fcntl.h`` and ``fs.h``."""

_NOT_THERE = {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EPERM}
"""What a system or a file system says that lacks the call, the flag or hard links."""


def rename_new(source: Path, target: Path) -> None:
    """Rename a file or a folder to a name that nothing has.

    Raises
    ------
    FileExistsError
        If something has that name; both stay as they are.
    """
    if _renameat2(source, target, RENAME_NOREPLACE):
        return
    if source.is_dir() and not source.is_symlink():
        _refuse_taken(target)
        source.rename(target)
        return
    try:
        os.link(source, target, follow_symlinks=False)
    except OSError as fault:
        if fault.errno not in _NOT_THERE:
            raise
        _refuse_taken(target)
        source.rename(target)
        return
    source.unlink()


def exchange(first: Path, second: Path, *, aside: Path) -> None:
    """Let two folders change places; whoever looks at `second` finds one or the other.

    `aside` is a free name beside `first`. Where the system cannot exchange in one step, `second`
    stands there for a moment; see `put_back`.
    """
    if _renameat2(first, second, RENAME_EXCHANGE):
        return
    try:
        second.rename(aside)
        rename_new(first, second)
    except BaseException:
        put_back(aside, second)
        raise
    aside.rename(first)


def put_back(aside: Path, second: Path) -> None:
    """Undo the first half of an exchange that was stopped in its middle, if it was."""
    if os.path.lexists(aside) and not os.path.lexists(second):
        aside.rename(second)


def flush_file(path: Path) -> None:
    """Let the bytes of a file reach the disk."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def flush_folder(folder: Path) -> None:
    """Let new names reach the disk where the system can do that; the files themselves have."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError:
        return  # some network drives cannot
    finally:
        os.close(handle)


def _refuse_taken(target: Path) -> None:
    if os.path.lexists(target):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))


def _renameat2(source: Path, target: Path, flag: int) -> bool:
    """Rename by the system's own call; return whether it has it."""
    call = _library_call()
    if call is None:
        return False
    sys.audit("os.rename", str(source), str(target), -1, -1)
    done = call(AT_FDCWD, os.fsencode(source), AT_FDCWD, os.fsencode(target), flag)
    if done == 0:
        return True
    fault = ctypes.get_errno()
    if fault in _NOT_THERE:
        return False
    raise OSError(fault, os.strerror(fault), str(source), None, str(target))


def _library_call() -> "ctypes._NamedFuncPointer | None":
    if sys.platform != "linux":
        return None
    return getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)

"""Writes a file that is not there yet."""

import os
from pathlib import Path

from retro.errors import WriteError


def refuse_old(path: Path) -> None:
    """Refuse a file that exists: before the work that it would be written for.

    Raises
    ------
    WriteError
        If the file exists.
    """
    if os.path.lexists(path):
        raise WriteError("the file exists", where=path, advice="name a new one")


def write_new(path: Path, content: str | bytes) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    WriteError
        If the file exists.
    """
    from retro.files.together import together

    with together(path) as put:
        refuse_old(path)
        put({path: content.encode() if isinstance(content, str) else content})

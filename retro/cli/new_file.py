"""Writes a file that is not there yet."""

import os
from pathlib import Path

from retro.errors import WriteError


def write_new(path: Path, content: str | bytes) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    WriteError
        If the file exists.
    """
    from retro.files.together import together

    with together(path) as put:
        if os.path.lexists(path):
            raise WriteError("the file exists", where=path, advice="name a new one")
        put({path: content.encode() if isinstance(content, str) else content})

"""Stamps a WAV file with its place: a ``bext`` chunk before the samples, all else as it was."""

import shutil
from pathlib import Path

from retro.takes.bext import history_line, new_chunk, stamped
from retro.takes.chunks import LITTLE, MAX_32
from retro.takes.take_file import open_take_file


def stamp_wav(path: Path, *, time_reference_samples: int, description: str, history: str) -> None:
    """Stamp a WAV file of our own with a time, in place.

    It has no ``bext`` chunk yet, and lies in a folder that nobody else writes to. `description`
    stands in the chunk's first field, `history` in a line of coding history.

    Raises
    ------
    AudioError
        If it is no sound file.
    """
    file = open_take_file(path)
    payload = stamped(
        new_chunk(description=description),
        time_reference_samples=time_reference_samples,
        history=history_line(file.sample, history),
    )
    chunk = LITTLE.header(b"bext", len(payload)) + payload
    riff_bytes = file.identity.bytes - LITTLE.header_bytes + len(chunk)
    if riff_bytes > MAX_32:
        return
    beside = path.with_name(f"{path.name}.stamped")
    with path.open("rb") as source, beside.open("wb") as target:
        opening = source.read(file.data_offset - LITTLE.header_bytes)
        target.write(LITTLE.header(opening[:4], riff_bytes))
        target.write(opening[LITTLE.header_bytes :])
        target.write(chunk)
        shutil.copyfileobj(source, target)
    beside.replace(path)

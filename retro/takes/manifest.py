"""The manifest of a flip: what became of every file, provable by its hashes.

It stands beside the flipped files as ``flip.json``, is replaced as a whole after every file, and
says at the end that it is complete. It holds no time and no folder, so that the same take and
settings give the same bytes.
"""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from retro.errors import ReadError
from retro.files.renaming import flush_folder
from retro.files.safe_file import whole_file
from retro.version import VERSION

MANIFEST_NAME = "flip.json"
SCHEMA = "retro-flip/1"
LARGEST_BYTES = 64_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class FlippedFile:
    """One file and what became of it.

    Parameters
    ----------
    source, output
        File names.
    source_sha256, output_sha256
        Of the whole files.
    source_bytes, output_bytes
        Of the whole files.
    start_frame, end_frame
        The flipped range in the source's own frames, half open.
    source_time_reference, time_reference
        Frames since midnight before and after; None where the file does not say.
    rate, channels, samples, container
        What the files are.
    faded_frames
        Frames at the end whose samples were changed.
    notices
        What was found odd.
    """

    source: str
    source_sha256: str
    source_bytes: int
    output: str
    output_sha256: str
    output_bytes: int
    start_frame: int
    end_frame: int
    source_time_reference: int | None
    time_reference: int | None
    rate: int
    channels: int
    samples: str
    container: str
    faded_frames: int
    notices: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """All of a flip.

    Parameters
    ----------
    is_complete
        Whether every file was flipped.
    version
        Of the program.
    rate
        Frames a second.
    start_frame, end_frame
        The common range in frames of the take, half open.
    time_reference
        Frames since midnight at which every clip begins, or None where each lies over the place
        at which it was recorded.
    clip_start_samples
        The same in frames from the song's first frame, where it is known.
    files
        In the order of the take.
    notices
        What differs from the plan, and what was cut off.
    """

    is_complete: bool
    version: str = VERSION
    rate: int
    start_frame: int
    end_frame: int
    time_reference: int | None
    clip_start_samples: int | None
    files: tuple[FlippedFile, ...]
    notices: tuple[str, ...]


def manifest_bytes(manifest: Manifest) -> bytes:
    """Give a manifest as it stands in its file."""
    document = {"schema": SCHEMA} | asdict(manifest)
    return f"{json.dumps(document, indent=1, ensure_ascii=False)}\n".encode()


def write_manifest(manifest: Manifest, folder: Path) -> None:
    """Write a manifest to its folder, replacing an older one; a complete one reaches the disk."""
    with whole_file(folder / MANIFEST_NAME, flushes=manifest.is_complete) as file:
        file.write(manifest_bytes(manifest))
    if manifest.is_complete:
        flush_folder(folder)


def read_manifest(folder: Path) -> Manifest:
    """Read the manifest of a folder.

    Raises
    ------
    ReadError
        If it is none.
    OSError
        If there is none.
    """
    path = folder / MANIFEST_NAME
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise ValueError
        document = json.loads(path.read_bytes())
        if document.pop("schema") != SCHEMA:
            raise ValueError
        files = tuple(_flipped_file(entry) for entry in document.pop("files"))
        notices = tuple(map(str, document.pop("notices")))
        return Manifest(files=files, notices=notices, **document)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as fault:
        raise ReadError(
            "this is no manifest of a flip",
            where=path,
            advice="delete it; --resume then compares the files themselves",
        ) from fault


def is_barren(folder: Path) -> bool:
    """Return whether a folder has the manifest of a flip that was stopped before any file."""
    try:
        manifest = read_manifest(folder)
    except (ReadError, OSError):
        return False
    return not manifest.is_complete and not manifest.files


def _flipped_file(entry: Mapping[str, Any]) -> FlippedFile:
    values = {field.name: entry[field.name] for field in fields(FlippedFile)}
    texts = ("source", "source_sha256", "output", "output_sha256", "samples", "container")
    if not all(isinstance(values[name], str) for name in texts):
        raise TypeError
    return FlippedFile(**values | {"notices": tuple(map(str, values["notices"]))})

"""The manifest of a pack, ``pack.json``: the files that are the pack's own, by their hashes.

It makes a folder a pack. What it does not list, or lists with another hash, belongs to a person and
is never replaced.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Annotated, Literal

import msgspec

from retro.errors import ReadError
from retro.files.hashes import file_sha256
from retro.model.bounded import Sha256
from retro.version import VERSION

MANIFEST_NAME = "pack.json"
MAX_MANIFEST_BYTES = 16_000_000
MAX_LISTED_FILES = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class PackFile:
    """One file of a pack.

    Parameters
    ----------
    path
        From the pack's folder, with slashes.
    bytes
        Its size.
    sha256
        Of the whole file.
    """

    path: str
    bytes: Annotated[int, msgspec.Meta(ge=0)]
    sha256: Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class PackManifest:
    """All files of a pack but the manifest itself.

    Parameters
    ----------
    schema
        Of the manifest.
    version
        Of the program that wrote the pack last.
    files
        In the order of their paths.
    """

    schema: Literal["retro-pack/1"] = "retro-pack/1"
    version: str = VERSION
    files: Annotated[tuple[PackFile, ...], msgspec.Meta(max_length=MAX_LISTED_FILES)]


def read_pack_manifest(folder: Path) -> PackManifest:
    """Read the manifest of a pack.

    Raises
    ------
    ReadError
        If the folder has none, or it is none that this version knows.
    """
    path = folder / MANIFEST_NAME
    try:
        if path.is_symlink() or not path.is_file():
            raise ReadError(f"holds no {MANIFEST_NAME}, so it is no pack", where=folder)
        with path.open("rb") as file:
            data = file.read(MAX_MANIFEST_BYTES)
        return msgspec.json.decode(data, type=PackManifest)
    except (msgspec.DecodeError, OSError) as fault:
        raise ReadError(f"this is no manifest of a pack ({fault})", where=path) from None


def listed(path: PurePosixPath, file: Path) -> PackFile:
    """Return the entry of a file."""
    return PackFile(path=str(path), bytes=file.stat().st_size, sha256=file_sha256(file))


def manifest_of(files: Iterable[PackFile]) -> PackManifest:
    """Return the manifest that lists some files."""
    return PackManifest(files=tuple(sorted(files, key=lambda file: file.path)))

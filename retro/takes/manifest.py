"""The manifest of a flip: what became of every file, provable by its hashes.

It stands beside the flipped files as ``flip.json``, is replaced as a whole after every file, and
says at the end that it is complete. It holds no time and no folder, so that the same take and
settings give the same bytes.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from retro.errors import ReadError
from retro.files.renaming import flush_folder
from retro.files.safe_file import whole_file
from retro.model.encoding import decoded, encoded
from retro.takes.clip_of import ClipOf
from retro.version import VERSION

MANIFEST_NAME = "flip.json"
SCHEMA: Final = "retro-flip/2"
MAX_BYTES = 64_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinedStretch:
    """A stretch of a take in a clip that is joined of several.

    Parameters
    ----------
    source, source_bytes
        The file that it is of.
    frames_sha256
        Of its frames that were read, crossfades included; see `retro.takes.frame_hash`.
    start_frame, end_frame
        In that file, half open; as played, so that the clip has it backwards.
    fade_frames
        Length of the crossfade around its end into the next one; 0 for the last.
    """

    source: str
    frames_sha256: str
    source_bytes: int
    start_frame: int
    end_frame: int
    fade_frames: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FlippedFile:
    """One file and what became of it.

    Parameters
    ----------
    source, output
        File names.
    frames_sha256
        Of the source's frames in the range, see `retro.takes.frame_hash`; null where the clip is
        joined, and each stretch has its own.
    output_sha256
        Of the whole output.
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
    stretches
        Where the clip is joined of several takes: their stretches in the order in which they were
        played. The source is then the file whose other chunks the clip carries.
    """

    source: str
    frames_sha256: str | None
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
    stretches: tuple[JoinedStretch, ...] = ()

    @property
    def hashes(self) -> tuple[str | None, ...]:
        """The hashes of the frames that its samples are made of."""
        return tuple(each.frames_sha256 for each in self.stretches) or (self.frames_sha256,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """All of a flip.

    Parameters
    ----------
    schema
        Version of this format.
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
    insert
        What the clips are of; null where nobody said.
    why
        Why this take was chosen, in a person's words; empty where nobody said.
    """

    schema: Literal["retro-flip/2"] = SCHEMA
    is_complete: bool
    version: str = VERSION
    rate: int
    start_frame: int
    end_frame: int
    time_reference: int | None
    clip_start_samples: int | None
    files: tuple[FlippedFile, ...]
    notices: tuple[str, ...]
    insert: ClipOf | None = None
    why: str = ""


def write_manifest(manifest: Manifest, folder: Path) -> None:
    """Write a manifest to its folder, replacing an older one; a complete one reaches the disk."""
    with whole_file(folder / MANIFEST_NAME, flushes=manifest.is_complete) as file:
        file.write(encoded(manifest))
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
    if path.stat().st_size > MAX_BYTES:
        raise ReadError(f"more than {MAX_BYTES} bytes is no manifest of a flip", where=path)
    try:
        return decoded(path.read_bytes(), Manifest, where=path)
    except ReadError as fault:
        raise ReadError(
            f"this is no manifest of a flip: {fault.what}",
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

"""The pack's folder: made beside its place and moved in whole, or not at all.

An older pack is renewed by a whole new folder that changes places with it in one step. What is not
the pack's own, and what a person has changed, is carried over; `retro.pack.manifest` says what is
whose. Files that stay the same are carried over, too, so that they are not written again.
"""

import os
import shutil
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from retro.errors import ReadError, WriteError
from retro.files.renaming import exchange, flush_file, flush_folder, rename_new
from retro.files.staging import naming_the_output, staged
from retro.model.encoding import encoded
from retro.model.settings import Section
from retro.pack.carry import Carried, carry_over, recover, walk
from retro.pack.manifest import MANIFEST_NAME, PackManifest, listed, manifest_of, read_pack_manifest


@dataclass(slots=True, kw_only=True)
class NewPack:
    """A pack that is being written in `folder`.

    Once it stands, `left` are the paths of strangers and of changed files that were left alone, and
    `older` the sections of an older pack that were left as they were. ``flipped`` and ``target``
    begin at `sounds_start_samples`, in frames from the song's first; None without them. The exact
    performance takes `played_files` MIDI files.
    """

    folder: Path
    left: tuple[str, ...] = ()
    older: tuple[str, ...] = ()
    sounds_start_samples: int | None = None
    played_files: int = 1


@contextmanager
def new_pack(
    out: Path,
    *,
    overwrite: bool,
    sections: Collection[Section] = tuple(Section),
    inputs: Collection[Path] = (),
) -> Iterator[NewPack]:
    """Yield a folder that becomes `out` when the block ends well.

    With `overwrite` an older pack there is renewed: `sections` are written, its others stay.
    `inputs` are the files that the pack is made of.

    Raises
    ------
    WriteError
        If `out` exists and may not be renewed (see `refuse_to_replace`), if another run writes
        there, or if the folder cannot be written.
    """
    out = out.resolve() if out.name in {"", ".."} else out.absolute()
    refuse_to_replace(out, overwrite=overwrite, inputs=inputs)
    with naming_the_output(out), staged(out, recover=partial(recover, out=out)) as scratch:
        before = _identity(out)
        pack = NewPack(folder=scratch / "new")
        pack.folder.mkdir()
        yield pack
        refuse_to_replace(out, overwrite=overwrite, inputs=inputs)
        if _identity(out) != before:
            raise WriteError("was replaced meanwhile", where=out, advice="build again")
        carried = _seal(pack.folder, None if before is None else out, sections)
        pack.left, pack.older = carried.left, carried.older
        whole = scratch / "whole"
        pack.folder.rename(whole)
        if before is None:
            _move_in(whole, out)
        else:
            exchange(whole, out, aside=scratch / "aside")
        flush_folder(out.parent)


def refuse_to_replace(out: Path, *, overwrite: bool, inputs: Collection[Path] = ()) -> None:
    """Refuse a place for a pack.

    It is asked before any work is done, and again before the pack is moved in.

    Raises
    ------
    WriteError
        Without `overwrite` if anything is there; with it if that is neither an empty folder nor a
        pack with its manifest. In any case if the place is, holds or lies in an input.
    """
    _refuse_inputs(out, inputs)
    if not os.path.lexists(out):
        return
    if not overwrite:
        raise WriteError(
            "exists already", where=out, advice="choose another --out, or give --overwrite"
        )
    if out.is_symlink() or not out.is_dir():
        raise WriteError(
            "is not a pack, so --overwrite leaves it alone",
            where=out,
            advice="choose another --out",
        )
    _manifest_at(out)


def _refuse_inputs(out: Path, inputs: Collection[Path]) -> None:
    place = out.resolve()
    for path in inputs:
        source = path.resolve()
        if source == place or place in source.parents or source in place.parents:
            raise WriteError(
                f"the pack would be made where its input {path} is",
                where=out,
                advice="choose another --out",
            )


def _manifest_at(out: Path) -> PackManifest:
    """Return the manifest of a pack that may be renewed; an empty folder has an empty one."""
    if not any(out.iterdir()):
        return manifest_of(())
    try:
        return read_pack_manifest(out)
    except ReadError as fault:
        raise WriteError(
            f"is not a pack, so --overwrite leaves it alone ({fault.what})",
            where=fault.where,
            advice="choose another --out",
        ) from None


def _identity(out: Path) -> tuple[int, int] | None:
    try:
        status = out.lstat()
    except FileNotFoundError:
        return None
    return status.st_dev, status.st_ino


def _seal(folder: Path, old: Path | None, sections: Collection[Section]) -> Carried:
    """Take over what stays of an older pack, write the manifest, let all reach the disk."""
    paths = list(walk(folder))
    written = {path: listed(path, folder / path) for path in paths}
    carried = Carried()
    if old is not None:
        manifest = _manifest_at(old)
        carried = carry_over(old, folder, manifest=manifest, written=written, sections=sections)
        shutil.copymode(old, folder)
    fresh = [entry for path, entry in written.items() if path not in carried.paths]
    (folder / MANIFEST_NAME).write_bytes(encoded(manifest_of([*fresh, *carried.listed])))
    for name in [*(entry.path for entry in fresh), MANIFEST_NAME]:
        flush_file(folder / name)
    for inner, _, _ in os.walk(folder):
        flush_folder(Path(inner))
    return carried


def _move_in(whole: Path, out: Path) -> None:
    try:
        rename_new(whole, out)
    except FileExistsError:
        raise WriteError(
            "was made meanwhile", where=out, advice="choose another --out, or give --overwrite"
        ) from None

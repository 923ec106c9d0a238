"""The pack's folder: written beside its place and moved in whole, or not at all."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from retro.errors import WriteError

PLAN_NAME = "plan.json"
"""The file that makes a folder a pack."""


@contextmanager
def new_pack(out: Path, *, overwrite: bool) -> Iterator[Path]:
    """Give a temporary folder that becomes `out` when the block ends well.

    Raises
    ------
    WriteError
        If `out` exists and may not be replaced: without `overwrite` anything that exists, with it
        everything but an empty folder and an older pack.
    """
    refuse_to_replace(out, overwrite=overwrite)
    parent = out.absolute().parent
    if not parent.is_dir():
        raise WriteError(
            "the folder that should hold the pack does not exist",
            where=parent,
            advice="make it first",
        )
    with tempfile.TemporaryDirectory(prefix=f".{out.name}.", dir=parent) as scratch:
        folder = Path(scratch) / "pack"
        folder.mkdir()
        yield folder
        _move_into_place(folder, out, aside=Path(scratch) / "replaced")


def refuse_to_replace(out: Path, *, overwrite: bool) -> None:
    """Refuse a place for a pack before any work is done; see `new_pack`.

    Raises
    ------
    WriteError
        If something is there that may not be replaced.
    """
    if not out.exists() and not out.is_symlink():
        return
    if not overwrite:
        raise WriteError(
            "exists already", where=out, advice="choose another --out, or give --overwrite"
        )
    is_pack = (
        out.is_dir()
        and not out.is_symlink()
        and ((out / PLAN_NAME).is_file() or not any(out.iterdir()))
    )
    if not is_pack:
        raise WriteError(
            "is not a pack, so --overwrite leaves it alone",
            where=out,
            advice="choose another --out",
        )


def _move_into_place(folder: Path, out: Path, *, aside: Path) -> None:
    replaces = out.exists()
    if replaces:
        out.rename(aside)
    try:
        folder.rename(out)
    except OSError:
        if replaces:
            aside.rename(out)
        raise

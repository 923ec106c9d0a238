"""Renews only what the same command made: a prepared day never takes the place of a pack."""

from pathlib import Path

from retro.errors import WriteError


def refuse_other(out: Path, mark: str, *, what: str) -> None:
    """Refuse a folder that holds something, but not what the same command made.

    `mark` is the pattern of a file that such a folder holds, `what` what it would be.

    Raises
    ------
    WriteError
        If it is something else.
    """
    if out.is_dir() and any(out.iterdir()) and not any(out.glob(mark)):
        raise WriteError(f"is not {what}", where=out, advice="choose another --out")

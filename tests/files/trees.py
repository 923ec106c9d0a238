"""What stands in a folder, as plain data."""

import os
from pathlib import Path


def tree(folder: Path, *, without: str = "") -> dict[str, str | None]:
    """Return the content of every file by its path; None for an empty folder."""
    found: dict[str, str | None] = {}
    for inner, folders, files in os.walk(folder):
        here = Path(inner)
        for name in [*files, *folders]:
            path = here / name
            key = path.relative_to(folder).as_posix()
            if path.is_symlink():
                found[key] = f"-> {path.readlink()}"
            elif path.is_dir():
                if not any(path.iterdir()):
                    found[key] = None
            elif key != without:
                found[key] = path.read_bytes().decode("latin-1")
    return found


def names(folder: Path) -> list[str]:
    """Return the names in a folder, hidden ones too."""
    return sorted(path.name for path in folder.iterdir())

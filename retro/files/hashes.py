"""The hash of a file, by which it is known again."""

import hashlib
from pathlib import Path


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()

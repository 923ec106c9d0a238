"""TOML files that people write."""

import tomllib
from pathlib import Path

from retro.errors import SettingsError

MAX_BYTES = 1_000_000
"""No such file of a person is larger."""


def read_toml(path: Path, kind: str) -> dict[str, object]:
    """Return the table that a file states; `kind` says in a refusal what it should be.

    Raises
    ------
    SettingsError
        If it cannot be read, or is too large, no UTF-8 text or no TOML.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except OSError as fault:
        raise SettingsError(fault.strerror or "cannot be read", where=path) from None
    if len(raw) > MAX_BYTES:
        raise SettingsError(f"more than {MAX_BYTES} bytes are no {kind}", where=path)
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise SettingsError("is not UTF-8 text", where=path, advice="save it as UTF-8") from None
    except tomllib.TOMLDecodeError as fault:
        raise SettingsError(f"is no TOML: {fault}", where=path) from None
    except (ValueError, RecursionError):
        raise SettingsError(
            "holds a number of thousands of digits, or tables thousands deep", where=path
        ) from None

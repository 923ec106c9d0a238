"""What was heard of banks, kept from run to run in the user's cache folder, a file for each bank.

A file that is damaged, or of another version or player, is as none. A cache that cannot be written
costs time and nothing else.
"""

import importlib.metadata
from collections.abc import Mapping
from pathlib import Path

import msgspec

from retro.errors import WriteError
from retro.files.together import together
from retro.sounds.envelope import Envelope

VERSION = 2
"""Of what is kept and how it is measured."""

MAX_BYTES = 200_000_000
"""Largest file: a bank of which all keys of 400 programs were heard."""


class _Kept(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    version: int
    player: str
    tones: dict[str, tuple[bytes, bytes]]


def cache_path(sha256: str) -> Path:
    """Return the file of a bank, in the place that the system has for caches."""
    import platformdirs  # noqa: PLC0415 (of the extra that plays banks)

    return Path(platformdirs.user_cache_dir("retro", appauthor=False)) / f"{sha256}.tones"


def read_tones(sha256: str) -> dict[str, Envelope]:
    """Return the tones that are known of a bank, by name."""
    path = cache_path(sha256)
    try:
        if path.stat().st_size > MAX_BYTES:
            return {}
        kept = msgspec.msgpack.decode(path.read_bytes(), type=_Kept)
    except (OSError, msgspec.DecodeError):
        return {}
    if (kept.version, kept.player) != (VERSION, _player()):
        return {}
    return {name: Envelope(held=held, after=after) for name, (held, after) in kept.tones.items()}


def write_tones(sha256: str, heard: Mapping[str, Envelope]) -> None:
    """Keep tones of a bank beside those that are kept."""
    path = cache_path(sha256)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with together(path) as put:
            tones = {**read_tones(sha256), **heard}
            kept = _Kept(
                version=VERSION,
                player=_player(),
                tones={name: (tone.held, tone.after) for name, tone in sorted(tones.items())},
            )
            put({path: msgspec.msgpack.encode(kept)})
    except (OSError, WriteError):
        return


def _player() -> str:
    return f"midirenderer {importlib.metadata.version('midirenderer')}"

"""What a person moves on the page: settings by their keys, and what is said about single tracks.

Moves stand before the settings file as the flags of a command do; nothing is written until a
person keeps them (`retro.listening.keep`).
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from retro.errors import SettingsError
from retro.model.encoding import decoded
from retro.model.settings import Landing, PartSettings, Settings
from retro.read.settings import load_settings

Flags = tuple[tuple[str, object], ...]
"""Settings that the command was given, by their keys in a file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartMove:
    """What is moved of the part that `match` names; None leaves what the settings say.

    Its `landing` is the moment of the target note on which it falls; with `leave_out` it takes no
    part.
    """

    match: str
    landing: Landing | None = None
    leave_out: bool | None = None

    def values(self) -> dict[str, object]:
        """Return what is moved, by its key in a ``[[part]]``."""
        moved = {"landing": self.landing, "leave_out": self.leave_out}
        return {key: value for key, value in moved.items() if value is not None}


@dataclass(frozen=True, slots=True, kw_only=True)
class Moves:
    """All that is moved; the fields are keys of a settings file, None is not moved."""

    reverberation_s: float | None = None
    direct_to_reverberant_db: float | None = None
    onset_db: float | None = None
    audible_db: float | None = None
    lands_on: str | None = None
    swell_beats: float | None = None
    parts: tuple[PartMove, ...] = ()

    def by_key(self) -> dict[str, object]:
        """Return what is moved outside the parts, by its key in a settings file."""
        keys = (key for key in self.__slots__ if key != "parts")
        return {key: value for key in keys if (value := getattr(self, key)) is not None}


def read_moves(data: bytes) -> Moves:
    """Read what the page sends.

    Raises
    ------
    SettingsError
        In one line, if it is no JSON of this kind.
    """
    return decoded(data, Moves, where="the page", refusal=SettingsError)


def moved_settings(path: Path | None, flags: Flags, moves: Moves) -> Settings:
    """Return the settings of a file, with flags and moves before them.

    Raises
    ------
    SettingsError
        In one line, with everything that is wrong.
    """
    settings = load_settings(path, {**dict(flags), **moves.by_key()})
    return replace(settings, parts=_moved_parts(settings.parts, moves.parts))


def _moved_parts(
    said: tuple[PartSettings, ...], moves: tuple[PartMove, ...]
) -> tuple[PartSettings, ...]:
    parts: dict[str, PartSettings] = {about.match: about for about in said}
    for move in moves:
        about = parts.get(move.match, PartSettings(match=move.match))
        values: Mapping[str, object] = move.values()
        if values:
            parts[move.match] = replace(about, **values)  # type: ignore[arg-type]
    return tuple(parts.values())

"""Keeps what was moved: writes it into the settings file, where all else stays as it stands."""

import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from retro.errors import SettingsError
from retro.files.together import together
from retro.listening.moves import Flags, Moves, moved_settings
from retro.listening.toml_lines import Edit, edited, written
from retro.model.settings import Settings
from retro.read.settings import TABLES, load_settings

NOT_KEPT = ("over",)
"""Flags that say what is listened to, not what is built."""

_BYTE_ORDER_MARK = "\ufeff"


def keep(path: Path, target: Path, flags: Flags, moves: Moves) -> list[str]:
    """Write flags and moves into the settings file of a target, and return the lines that say so.

    The file is made if there is none.

    Raises
    ------
    RetroError
        If the file cannot be changed by its lines, or would not mean what is heard; it says what to
        write by hand. Then the file is as it was.
    """
    wanted_flags = tuple((key, value) for key, value in flags if key not in NOT_KEPT)
    with together(path) as put:
        is_there = path.is_file()
        known = path if is_there else None
        wanted = moved_settings(known, wanted_flags, moves)
        edits = tuple(_edits(load_settings(known, {}), wanted_flags, moves))
        if not edits:
            return []
        text = (
            path.read_bytes().decode("utf-8")
            if is_there
            else f"# Settings of {target.name}, kept from its listening page.\n"
        )
        body = text.removeprefix(_BYTE_ORDER_MARK)
        new = edited(body, edits)
        if new is None or _settings_of(new) != wanted:
            raise SettingsError(
                "is laid out so that it cannot be changed without touching what you wrote",
                where=path.name,
                advice=f"write there yourself: {'; '.join(map(_said, edits))}",
            )
        mark = _BYTE_ORDER_MARK if text.startswith(_BYTE_ORDER_MARK) else ""
        put({path: (mark + new).encode()})
    return [_said(edit) for edit in edits]


def _edits(settings: Settings, flags: Flags, moves: Moves) -> Iterator[Edit]:
    places = {key: table for table, keys in TABLES.items() for key in keys}
    keys: Mapping[str, Any] = {**dict(flags), **moves.by_key()}
    for key, value in keys.items():
        yield Edit(table=places[key], key=key, value=value)
    matches = [about.match for about in settings.parts]
    for part in moves.parts:
        values = part.values()
        if not values:
            continue
        if part.match not in matches:
            matches.append(part.match)
            values = {"match": part.match, **values}
        row = matches.index(part.match)
        for key, value in values.items():
            plain = value if isinstance(value, bool) else str(value)
            yield Edit(table="part", row=row, key=key, value=plain)


def _said(edit: Edit) -> str:
    table = f"[{edit.table}] " if edit.table and edit.row is None else ""
    part = "" if edit.row is None else f"[[part]] {edit.row + 1}: "
    return f"{table}{part}{written(edit.key, edit.value)}"


def _settings_of(text: str) -> Settings:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "settings.toml"
        path.write_text(text, encoding="utf-8", newline="")
        return load_settings(path, {})

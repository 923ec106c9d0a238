"""Writes docs/reference.md from the commands and the settings themselves.

Run: ``python docs/make_reference.py``. A test fails if the file is not what this gives.
"""

import re
from collections.abc import Iterator
from dataclasses import fields
from enum import StrEnum
from fractions import Fraction
from inspect import cleandoc
from pathlib import Path
from typing import Any, get_args, get_type_hints

import typer

from retro.cli import app
from retro.model.findings import FindingKind
from retro.model.settings import Settings
from retro.read.settings import FIELDS, PART_KEYS, TABLES

HERE = Path(__file__).parent
TARGET = HERE / "reference.md"
VALUES = {"bool": "", "int": "WHOLE", "float": "NUMBER", "Path": "PATH"}
"""How the value of an option is named, by its type; everything else is text."""


def reference() -> str:
    """Return the whole page."""
    return "\n".join([*_opening(), *_commands(), *_settings(), *_findings()]) + "\n"


def _opening() -> Iterator[str]:
    yield "# Reference"
    yield ""
    yield "Written by `python docs/make_reference.py` from the program itself; do not edit it."
    yield ""
    yield (
        "Exit codes: 0 done, 1 refused (one line on standard error says what, where and what to "
        "do), 2 misused, 130 stopped by Ctrl-C, 141 nobody reads the output any more. Results go "
        "to standard output, talk to standard error."
    )
    yield ""


def _commands() -> Iterator[str]:
    yield "## Commands"
    yield ""
    grouped = [
        (f"{group.typer_instance.info.name} {_name(command)}", command)
        for group in app.registered_groups
        if group.typer_instance
        for command in group.typer_instance.registered_commands
    ]
    plain = [(_name(command), command) for command in app.registered_commands]
    for name, command in sorted([*plain, *grouped], key=lambda each: each[0]):
        callback: Any = command.callback
        yield f"### `retro {name}`"
        yield ""
        yield _one_line(callback.__doc__)
        yield ""
        yield "| what | meaning |"
        yield "|---|---|"
        for parameter, hint in get_type_hints(callback, include_extras=True).items():
            if parameter != "return":
                yield f"| {_spelling(parameter, hint)} | {_one_line(_info(hint).help)} |"
        yield ""


def _name(command: Any) -> str:
    return str(command.name or command.callback.__name__)


def _info(hint: Any) -> Any:
    """Return what typer was told about a parameter."""
    return get_args(hint)[1]


def _spelling(name: str, hint: Any) -> str:
    info = _info(hint)
    if isinstance(info, typer.models.ArgumentInfo):
        return f"`{name.upper()}`"
    # typer keeps the first declaration of an annotated option where its default would stand.
    declared = [word for word in (info.default, *(info.param_decls or ())) if _is_flag(word)]
    flags = declared or [f"--{name.replace('_', '-')}"]
    plain = get_args(hint)[0]
    kinds = {kind.__name__ for kind in get_args(plain) or (plain,) if isinstance(kind, type)}
    value = next((word for kind, word in VALUES.items() if kind in kinds), "TEXT")
    return ", ".join(f"`{flag}`" for flag in flags) + (f" {value}" if value else "")


def _is_flag(word: object) -> bool:
    return isinstance(word, str) and word.startswith("-")


def _settings() -> Iterator[str]:
    yield "## Settings"
    yield ""
    yield (
        "Every setting can stand in a TOML file: the one named by `--settings`, else the one "
        "beside the target (`song.toml` beside `song.mid`). Flags go before the file."
    )
    yield ""
    defaults = Settings()
    words = _field_words()
    for table, keys in TABLES.items():
        yield f"### {f'`[{table}]`' if table else 'At the top of the file'}"
        yield ""
        yield "| setting | default | value | meaning |"
        yield "|---|---|---|---|"
        for key, read in keys.items():
            field = FIELDS.get(key, key)
            default = getattr(defaults.room if table == "room" else defaults, field)
            yield f"| `{key}` | {_shown(default)} | {_wanted(read)} | {words.get(field, '')} |"
        yield ""
    yield "### `[[part]]`"
    yield ""
    yield "One table for each track that something is said about."
    yield ""
    yield "| setting | value |"
    yield "|---|---|"
    for key, read in PART_KEYS.items():
        yield f"| `{key}` | {_wanted(read)} |"


def _findings() -> Iterator[str]:
    yield ""
    yield "## Findings"
    yield ""
    yield (
        "`retro check` prints a finding as a sentence; with `--json`, and in `plan.json`, it has a "
        "kind too."
    )
    yield ""
    yield "| kind | meaning |"
    yield "|---|---|"
    for kind in FindingKind:
        yield f"| `{kind.value}` | {_one_line(kind.meaning)} |"


def _field_words() -> dict[str, str]:
    """Return what the docstrings of the settings say, by field."""
    found: dict[str, str] = {}
    for kind in (Settings, type(Settings().room)):
        # Python 3.13 strips the docstring's indentation itself; here every version does.
        text = cleandoc(kind.__doc__ or "")
        entries = re.findall(r"^(\w[\w, ]*)\n((?:    .*\n?)+)", text, re.MULTILINE)
        for names, meaning in entries:
            for name in names.split(", "):
                found[name] = _one_line(meaning)
    missing = {field.name for field in fields(Settings)} - found.keys()
    if missing:
        raise ValueError(f"settings without a word: {sorted(missing)}")
    return found


def _wanted(read: Any) -> str:
    try:
        read(object())
    except ValueError as wanted:
        return _one_line(str(wanted))
    raise ValueError("a reader took an object that is no setting")


def _shown(value: object) -> str:
    if value is None or value == ():
        return "none"
    if isinstance(value, tuple):
        return ", ".join(_shown(item) for item in value)
    if isinstance(value, StrEnum):
        return f"`{value.value}`"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    return f"`{value}`" if isinstance(value, str | int | float | Fraction) else str(value)


def _one_line(text: str | None) -> str:
    return " ".join((text or "").split()).replace("|", "\\|").replace("``", "`")


if __name__ == "__main__":
    TARGET.write_text(reference(), encoding="utf-8")

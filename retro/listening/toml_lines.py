"""Changes single values of a TOML file by its lines, so that a person's comments and order stay.

It knows the plain layout that people write: tables under their heads, a key a line. What came out
is parsed and compared; where it is not the wanted change and nothing else, nothing is changed.
"""

import copy
import json
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

Value = str | float | bool | Sequence[str]

_HEAD = re.compile(r"\s*\[{1,2}\s*([^\[\]]+?)\s*\]{1,2}\s*(#.*)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Edit:
    """One value to set.

    Parameters
    ----------
    table
        ``""`` for the top of the file.
    row
        Which table of an array of tables, from 0; one past the last appends one. None for a plain
        table.
    key, value
        What is set.
    """

    table: str
    row: int | None = None
    key: str
    value: Value


def edited(text: str, edits: Sequence[Edit]) -> str | None:
    """Return a TOML text with some values set; None where its layout does not let it be done."""
    ending = "\r\n" if "\r\n" in text else "\n"
    lines = text.split(ending)
    while lines and not lines[-1].strip():
        lines.pop()
    wanted = tomllib.loads(text)
    for edit in edits:
        _set_in(wanted, edit)
        _set_line(lines, edit)
    new = ending.join([*lines, ""])
    try:
        return new if tomllib.loads(new) == wanted else None
    except tomllib.TOMLDecodeError:
        return None


def written(key: str, value: Value) -> str:
    """Return a line that sets a value."""
    return f"{key} = {_literal(value)}"


def _literal(value: Value) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, str):
        return json.dumps(str(value), ensure_ascii=False)
    return f"[{', '.join(map(_literal, value))}]"


def _set_in(document: dict[str, Any], edit: Edit) -> None:
    """Set a value in what was parsed."""
    table = document
    if edit.row is not None:
        rows = document.setdefault(edit.table, [])
        if edit.row == len(rows):
            rows.append({})
        table = rows[edit.row]
    elif edit.table:
        table = document.setdefault(edit.table, {})
    value = edit.value
    table[edit.key] = copy.copy(value) if isinstance(value, str | float | bool) else list(value)


def _set_line(lines: list[str], edit: Edit) -> None:
    span = _span(lines, edit)
    if span is None:
        head = f"[{edit.table}]" if edit.row is None else f"[[{edit.table}]]"
        lines += [*([""] if lines else []), head]
        span = len(lines) - 1, len(lines)
    known = re.compile(
        rf"(\s*{edit.key}\s*=\s*)(\"[^\"]*\"|'[^']*'|\[[^\]#]*\]|[^#\"'\[]*?)(\s*(?:#.*)?)"
    )
    for index in range(*span):
        found = known.fullmatch(lines[index])
        if found:
            lines[index] = f"{found[1]}{_literal(edit.value)}{found[3]}"
            return
    _insert(lines, span, written(edit.key, edit.value))


def _span(lines: Sequence[str], edit: Edit) -> tuple[int, int] | None:
    """Return the lines of a table, its head included; None where there is none."""
    heads = [
        (index, found[1]) for index, line in enumerate(lines) if (found := _HEAD.fullmatch(line))
    ]
    ends = [*(index for index, _ in heads[1:]), len(lines)][: len(heads)]
    if not edit.table:
        return 0, heads[0][0] if heads else len(lines)
    own = [
        (index, end) for (index, name), end in zip(heads, ends, strict=True) if name == edit.table
    ]
    row = edit.row or 0
    return own[row] if row < len(own) else None


def _insert(lines: list[str], span: tuple[int, int], line: str) -> None:
    """Put a line after the last of a table that says something, before what leads to the next."""
    start, end = span
    said = [
        i for i in range(start, end) if lines[i].strip() and not lines[i].lstrip().startswith("#")
    ]
    if said:
        lines.insert(said[-1] + 1, line)
        return
    # The top of a file that has no keys there: below what its first lines say of the whole file.
    at = next((i for i in range(end) if not lines[i].strip()), end)
    above = [""] if 0 < at < end else []
    below = [""] if at == end < len(lines) else []
    lines[at:at] = [*above, line, *below]

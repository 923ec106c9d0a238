"""Names of the flipped files, by a pattern that the user sets, safe on every system."""

import os
import re
import string
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from retro.errors import SettingsError, WriteError

DEFAULT_PATTERN = "{stem}_flipped{suffix}"
FIELDS = ("stem", "suffix", "n", "folder", "insert", "take", "microphone")
"""Name and ending of the source, its number from 1, its folder, the insert's letter, the take, and
the microphone."""

FORBIDDEN = frozenset('<>:"/\\|?*')
DEVICES = frozenset(
    ["con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))]
)
"""Names that Windows keeps for devices."""

MAX_NAME_BYTES = 240
"""File systems allow 255; a temporary name needs some more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Naming:
    """How flipped files are named.

    Parameters
    ----------
    pattern
        As ``{n:02}_{stem}_flipped{suffix}``; the fields are `FIELDS`.
    insert, take
        Letter of the insert, and which take it is, for ``{insert}`` and ``{take}``.
    microphones
        Name of the microphone of every file, for ``{microphone}``; else the name of the file.
    """

    pattern: str = DEFAULT_PATTERN
    insert: str = ""
    take: str = ""
    microphones: tuple[str, ...] = ()

    def names(self, sources: Sequence[Path]) -> tuple[str, ...]:
        """Return one name per source.

        Raises
        ------
        SettingsError
            If the pattern means nothing, or gives a name that some system cannot store.
        WriteError
            If two files would get the same name on some system.
        """
        self._check_fields()
        names = tuple(self._name(number, path) for number, path in enumerate(sources, start=1))
        first: dict[str, Path] = {}
        for name, source in zip(names, sources, strict=True):
            other = first.setdefault(unicodedata.normalize("NFC", name).casefold(), source)
            if other is not source:
                raise WriteError(
                    f"{other} and {source} would both become {name!r}",
                    advice="give --names with {n} or {folder}, as {folder}_{stem}{suffix}",
                )
        return names

    def _check_fields(self) -> None:
        try:
            parts = list(string.Formatter().parse(self.pattern))
        except ValueError as fault:
            raise SettingsError(f"the pattern {self.pattern!r} is broken: {fault}") from fault
        for _, field, width, conversion in parts:
            if field is None:
                continue
            if field not in FIELDS or conversion:
                raise SettingsError(
                    f"the pattern {self.pattern!r} has the unknown field {field!r}",
                    advice=f"known are {', '.join(FIELDS)}",
                )
            if width and not (field == "n" and re.fullmatch("0?[1-9]", width)):
                raise SettingsError(
                    f"the pattern {self.pattern!r} has the width {width!r}",
                    advice="only n has one, as {n:02}",
                )

    def _name(self, number: int, source: Path) -> str:
        fields = {
            "stem": source.stem,
            "suffix": source.suffix,
            "n": number,
            "folder": source.absolute().parent.name,
            "insert": self.insert,
            "take": self.take,
            "microphone": self.microphones[number - 1] if self.microphones else source.stem,
        }
        name = self.pattern.format(**fields)
        _refuse_unsafe(name)
        if not name.endswith(source.suffix):
            raise SettingsError(
                f"{name!r} hides what kind of file it is", advice="end the pattern in {suffix}"
            )
        return name


def _refuse_unsafe(name: str) -> None:
    reason = None
    unsafe = next(
        (letter for letter in name if letter in FORBIDDEN or not letter.isprintable()), ""
    )
    if unsafe:
        reason = f"has {unsafe!r}, which some systems store in no file name"
    elif name.startswith((".", " ")) or name.endswith((".", " ")) or not name:
        reason = "begins or ends with a dot or a blank, or is empty"
    elif name.partition(".")[0].strip().casefold() in DEVICES:
        reason = "is kept for a device on some systems"
    elif len(os.fsencode(name)) > MAX_NAME_BYTES:
        reason = f"is longer than {MAX_NAME_BYTES} bytes"
    if reason:
        raise SettingsError(
            f"the file name {name!r} {reason}",
            advice="name it by --names, as {n:02}{suffix}, or rename the source",
        )

"""A drafted target and the settings beside it, which go together or not at all.

The settings say in which bars the swell lies, and that drums land on its end, where a song's drums
land on their strokes. Settings that a person wrote, or changed, are never
replaced: they must agree.
"""

import hashlib
import json
import os
from collections.abc import Collection, Sequence
from pathlib import Path

from retro.errors import WriteError
from retro.files.together import Changes, together
from retro.model.settings import Landing
from retro.read.settings import read_settings

SETTINGS_SUFFIX = ".toml"

OTHER_SUFFIXES = (
    SETTINGS_SUFFIX,
    ".wav",
    ".flac",
    ".aif",
    ".aiff",
    ".musicxml",
    ".xml",
    ".mxl",
    ".pdf",
)
"""Names that promise another kind of file than a target is."""
MAX_OWN_BYTES = 10_000
"""No settings that a draft writes are larger."""

HEAD = "# Written by retro draft. It replaces what it wrote, and nothing that you change here: "


def write_draft(
    out: Path,
    midi: bytes,
    *,
    bars: str | None,
    drums: Sequence[str] = (),
    overwrite: bool = False,
    inputs: Collection[Path] = (),
) -> None:
    """Write a target and the settings that go with it, as one.

    `bars` are those of the swell, None where it fills the file; `drums` the tracks that unpitched
    percussion plays; `inputs` files that are only read. With `overwrite` an older target is
    replaced, and settings that a draft wrote.

    Raises
    ------
    WriteError
        If something is there that may not be replaced, or settings beside the target contradict it.
    """
    for path in inputs:
        if out.exists() and out.samefile(path):
            raise WriteError("this is an input, which is never written to", where=out)
    if out.is_dir():
        raise WriteError("this is a folder", where=out, advice="name the MIDI file to write")
    if out.suffix.lower() in OTHER_SUFFIXES:
        raise WriteError("a target is a MIDI file", where=out, advice="end its name in .mid")
    with together(out) as put:
        settings = out.with_suffix(SETTINGS_SUFFIX)
        _refuse_taken(out, overwrite=overwrite)
        wanted = own_settings(bars, drums) if bars or drums else None
        changes = _settings_changes(settings, wanted, bars, drums, overwrite=overwrite)
        put({**changes, out: midi})


def own_settings(bars: str | None, drums: Sequence[str] = ()) -> bytes:
    """Return the settings that a draft writes."""
    tables = [] if bars is None else [f'[window]\nbars = "{bars}"\n']
    tables += [f'[[part]]\nmatch = {json.dumps(name)}\nlanding = "end"\n' for name in drums]
    body = "\n".join(tables)
    return f"{HEAD}{hashlib.sha256(body.encode()).hexdigest()}\n{body}".encode()


def _is_own(settings: Path) -> bool:
    """Return whether a draft wrote a file and nobody has changed it."""
    with settings.open("rb") as file:
        head, _, body = file.read(MAX_OWN_BYTES).partition(b"\n")
    return head == (HEAD + hashlib.sha256(body).hexdigest()).encode()


def _settings_changes(
    settings: Path, wanted: bytes | None, bars: str | None, drums: Sequence[str], *, overwrite: bool
) -> Changes:
    if not os.path.lexists(settings):
        return {} if wanted is None else {settings: wanted}
    if settings.is_file() and not settings.is_symlink() and _is_own(settings):
        if wanted == settings.read_bytes():
            return {}
        _refuse_taken(settings, overwrite=overwrite)
        return {settings: wanted}
    _refuse_contradiction(settings, bars, drums)
    return {}


def _refuse_taken(path: Path, *, overwrite: bool) -> None:
    if not overwrite and os.path.lexists(path):
        raise WriteError(
            "exists already", where=path, advice="choose another name, or give --overwrite"
        )


def _refuse_contradiction(settings: Path, bars: str | None, drums: Sequence[str]) -> None:
    """Refuse settings of a person that choose other bars than the swell's, or land its drums."""
    read = read_settings(settings)
    chooses = (read.start, read.end, read.start_marker, read.end_marker)
    wanted = "the whole file" if bars is None else f'bars = "{bars}" under [window]'
    if read.bars != bars or any(place is not None for place in chooses):
        raise _contradiction(settings, f"choose other bars than the swell's, {wanted}")
    landing = {about.match: about.landing for about in read.parts}
    for name in drums:
        if landing.get(name) is not Landing.END:
            lands = f'[[part]] match = {json.dumps(name)}, landing = "end"'
            raise _contradiction(settings, f"do not let {name} swell into the landing, {lands}")


def _contradiction(settings: Path, what: str) -> WriteError:
    return WriteError(
        f"these settings {what}, and are not replaced since no draft wrote them",
        where=settings,
        advice="change them so, move them away, or choose another name for the target",
    )

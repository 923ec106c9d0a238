"""The microphones of a take that a command was given as files."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from retro.measuring.microphones import Microphone
    from retro.read.plan_file import PlanFile


def microphones_in(
    files: Sequence[Path], plan: "PlanFile", phrase_start: int, stated: Sequence[str]
) -> "tuple[Microphone, ...]":
    """Return the microphones of one take, several placed by their time-stamps.

    `phrase_start` is a frame of the first; `stated` says whom they are close to, as ``--mic``.
    """
    from retro.measuring.microphones import microphones_of
    from retro.takes.common_range import open_take

    starts = open_take(files).starts if len(files) > 1 else (0,)
    pairs = zip(files, starts, strict=True)
    return microphones_of([(path, phrase_start - start) for path, start in pairs], plan, stated)

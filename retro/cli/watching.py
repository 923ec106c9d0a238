"""Looks at the files of a build, and builds again whenever they are saved."""

import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Never

from retro.cli.refusing import refuse

WATCH_S = 0.05
"""How often the files are looked at."""

Stamp = tuple[int, int, int] | None
"""Inode, size and time of a file; None where there is none."""


class Watched:
    """The files of a build, as they stood when this was made.

    No `settings` stand for those beside the target, which may come and go. `others` are the main
    score and the learned sounds, as the settings name them when the watch begins.
    """

    def __init__(self, target: Path, settings: Path | None, others: Sequence[Path] = ()) -> None:
        beside = () if settings is not None else (target.parent / f"{target.stem}.toml",)
        needed = [path for path in (target, settings, *others) if path is not None]
        self._paths = (*needed, *beside)
        self._needed = len(needed)
        self._built = self._look()

    def build_again_at_every_save(self, build: Callable[[], None]) -> Never:
        """Build whenever the files differ from those last built; whatever fails is told.

        Programs save in steps: they empty the file and fill it, or delete it and rename another. So
        a change counts once two looks in a row agree, and while a file is gone nothing is built.
        """
        before = self._built
        while True:
            time.sleep(WATCH_S)
            now = self._look()
            is_settled = now == before
            before = now
            if not is_settled or now == self._built or None in now[: self._needed]:
                continue
            self._built = now
            try:
                build()
            except Exception as fault:  # a full disk, a half written file: the next save may do
                refuse(fault)

    def _look(self) -> tuple[Stamp, ...]:
        return tuple(map(_stamp, self._paths))


def _stamp(path: Path) -> Stamp:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_ino, status.st_size, status.st_mtime_ns

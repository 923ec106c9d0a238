"""One take: its files, checked against each other, and the range that all of them are flipped over.

All microphones of a take are flipped over one common range and never aligned to their own peaks:
what a distant one hears later it gives earlier when flipped (`retro.placement.place`).

Conventions
-----------
A frame of the take is a frame of its first file. A file whose time-stamp is later begins at a
later frame of the take.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from retro.errors import TakeError
from retro.takes.marks import FrameSpan
from retro.takes.take_file import TakeFile, open_take_file

SUFFIXES = frozenset(
    [".wav", ".wave", ".bwf", ".rf64", ".w64", ".aif", ".aiff", ".aifc", ".flac", ".bw64"]
)
"""Endings of the files that are taken out of a folder."""

Row = tuple[str, ...]


class MixedTakeError(TakeError):
    """Files that do not belong to one take; `table` says how they differ."""

    def __init__(self, what: str, *, table: tuple[Row, ...], advice: str | None = None) -> None:
        super().__init__(what, advice=advice)
        self.table = table


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """The files of a take as they were given, and the frame of the take at which each begins."""

    files: tuple[TakeFile, ...]
    starts: tuple[int, ...]

    @property
    def rate(self) -> int:
        """Frames a second, the same in all files."""
        return self.files[0].sample.rate

    @property
    def common(self) -> FrameSpan:
        """Frames of the take that every file has; empty where there are none."""
        start = max(self.starts)
        ends = [at + file.frames for at, file in zip(self.starts, self.files, strict=True)]
        return FrameSpan(start, max(min(ends), start))

    @property
    def has_one_length(self) -> bool:
        """Whether all files have as many frames."""
        return len({file.frames for file in self.files}) == 1

    def span_in(self, index: int, span: FrameSpan) -> FrameSpan:
        """Return a span of the take in the frames of one of its files."""
        return FrameSpan(span.start - self.starts[index], span.end - self.starts[index])

    def table(self) -> tuple[Row, ...]:
        """Return what the files are, one row each, under headings."""
        headings = ("file", "rate", "frames", "begins at", "channels", "samples", "form")
        rows = [
            (
                file.path.name,
                str(file.sample.rate),
                str(file.frames),
                str(start),
                str(file.sample.channels),
                str(file.sample),
                file.container.value,
            )
            for file, start in zip(self.files, self.starts, strict=True)
        ]
        return (headings, *rows)


def take_paths(paths: Sequence[Path]) -> tuple[Path, ...]:
    """Return the files that are meant: a folder stands for the sound files in it, by name.

    Raises
    ------
    TakeError
        If nothing is left, or one file is given twice.
    """
    found: list[Path] = []
    for path in paths:
        found.extend(_in_folder(path) if path.is_dir() else [path])
    if not found:
        raise TakeError("there is no sound file", where=", ".join(map(str, paths)))
    seen: dict[tuple[int, int], Path] = {}
    for path in found:
        if path.exists():
            status = path.stat()
            other = seen.setdefault((status.st_dev, status.st_ino), path)
            if other is not path:
                raise TakeError(f"{other} and {path} are one file", advice="name it once")
    return tuple(found)


def _in_folder(folder: Path) -> list[Path]:
    return sorted(
        path
        for path in folder.iterdir()
        if path.suffix.lower() in SUFFIXES and not path.name.startswith(".") and path.is_file()
    )


def open_take(paths: Sequence[Path], *, starts_together: bool = False) -> Take:
    """Return the files of a take, given as files or folders.

    With `starts_together` all begin at one moment whatever their time-stamps say.

    Raises
    ------
    MixedTakeError
        If the rates differ, or time-stamps differ and some files have none.
    AudioError
        If a file is no sound file that can be turned round.
    """
    files = tuple(open_take_file(path) for path in take_paths(paths))
    stamps = [file.time_reference_samples for file in files]
    known = {stamp for stamp in stamps if stamp is not None}
    aligned = len(known) > 1 and not starts_together
    first = stamps[0] or 0
    starts = tuple((stamp or 0) - first if aligned else 0 for stamp in stamps)
    take = Take(files=files, starts=starts)
    if len({file.sample.rate for file in files}) > 1:
        raise MixedTakeError(
            f"these files are not one take: {_tally([f.sample.rate for f in files], 'Hz')}",
            table=take.table(),
        )
    if aligned and None in stamps:
        raise MixedTakeError(
            f"{stamps.count(None)} of {len(files)} files have no time-stamp, and the others differ",
            table=take.table(),
            advice="give --starts-together if all began at one moment",
        )
    return take


def whole_range(take: Take) -> FrameSpan:
    """Return the range where none was stated: the whole files, or what differing stamps share.

    Raises
    ------
    MixedTakeError
        If the files differ in length.
    """
    if take.has_one_length:
        return stated_range(take, take.common)
    shared = take.common
    raise MixedTakeError(
        f"these files are not one take: {_tally([f.frames for f in take.files], 'frames')}",
        table=take.table(),
        advice=f"give a common range if they are, such as --range {shared.start}-{shared.end}",
    )


def stated_range(take: Take, span: FrameSpan) -> FrameSpan:
    """Check a range that was stated.

    Raises
    ------
    TakeError
        If it is empty while the files are not, or runs backwards.
    MixedTakeError
        If a file does not have all of it.
    """
    shared = take.common
    holds = shared.start <= span.start <= span.end <= shared.end
    if not holds and len(take.files) == 1:
        raise TakeError(
            f"the range {span.start}-{span.end} does not lie in the file's {shared.end} frames",
            where=take.files[0].path,
        )
    if not holds:
        raise MixedTakeError(
            f"the range {span.start}-{span.end} does not lie in all files, "
            f"which share {shared.start}-{shared.end}",
            table=take.table(),
        )
    if not span.frames and any(file.frames for file in take.files):
        raise TakeError(f"the range {span.start}-{span.end} is empty")
    return span


def _tally(values: Sequence[int], unit: str) -> str:
    """Say how often each value occurs, the most frequent first."""
    counts = Counter(values).most_common(4)
    told = ", ".join(f"{count} with {value} {unit}" for value, count in counts)
    others = len(set(values)) - len(counts)
    return told + (f", and {others} more" if others else "")

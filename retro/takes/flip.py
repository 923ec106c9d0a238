"""Flips the files of a take: reads them backwards, writes them whole or not at all.

Sources are opened for reading only and never replaced. Each output is written under a temporary
name, flushed to the disk and renamed; then the manifest is. Whatever stops a run leaves finished
files, their manifest, and at most temporaries, which the next run clears away.
"""

import contextlib
import shutil
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from retro.errors import LimitError, WriteError
from retro.files.hashes import file_sha256
from retro.files.safe_file import one_writer, temporary_path, whole_file
from retro.takes.assemble import Stretch, refuse_unlike
from retro.takes.clip_of import ClipOf
from retro.takes.common_range import Take, stated_range
from retro.takes.flip_file import FlipJob, Meter, Progress, flip_file
from retro.takes.manifest import (
    MANIFEST_NAME,
    FlippedFile,
    Manifest,
    is_barren,
    read_manifest,
    write_manifest,
)
from retro.takes.marks import FrameSpan
from retro.takes.naming import Naming
from retro.takes.rewrite import Edit
from retro.takes.take_file import TakeFile
from retro.units import ms_to_seconds, samples_to_seconds, seconds_to_ms, seconds_to_samples

WORKERS = 6
"""Files at once: while some wait for the disk, others are turned and hashed."""

MAX_TIME_REFERENCE = 2**64 - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class FlipSettings:
    """How a take is flipped.

    Parameters
    ----------
    naming
        Names of the outputs.
    time_reference_samples
        Frames since midnight at which every clip begins; None lays each over the place at which
        it was recorded.
    clip_start_samples
        The same in frames from the song's first frame, for the manifest.
    notices
        What the manifest shall tell about the range, such as that it was trimmed.
    adds_stamp
        Whether WAV files without a ``bext`` chunk get one.
    fade_out_ms
        Length of a fade at the end; 0 touches no sample.
    overwrite
        Whether existing outputs are replaced.
    resume
        Whether outputs that an earlier run finished, and that are right, are kept.
    insert
        What the clips are of, for the manifest and the clips themselves.
    why
        Why this take was chosen, for the manifest.
    joined
        For each file of the take, the stretches that its clip is joined of; none where each clip
        is of its file alone.
    """

    naming: Naming = field(default_factory=Naming)
    time_reference_samples: int | None = None
    clip_start_samples: int | None = None
    notices: tuple[str, ...] = ()
    adds_stamp: bool = True
    fade_out_ms: float = 0.0
    overwrite: bool = False
    resume: bool = False
    insert: ClipOf | None = None
    why: str = ""
    joined: tuple[tuple[Stretch, ...], ...] = ()


def flip_take(
    take: Take,
    out: Path,
    *,
    start_frame: int,
    end_frame: int,
    settings: FlipSettings | None = None,
    progress: Progress = lambda _done, _total: None,
) -> Manifest:
    """Flip every file of a take over one common range.

    Parameters
    ----------
    take
        The files; see `retro.takes.common_range.open_take`.
    out
        Folder of the outputs; made if it is missing.
    start_frame, end_frame
        The range in frames of the take, half open.
    settings
        How the files are named and stamped, faded at the end and replaced.
    progress
        See `Progress`.

    Returns
    -------
    Manifest
        What became of every file, as it also stands in ``flip.json``.

    Raises
    ------
    TakeError
        If the range does not lie in every file, or a file changes meanwhile.
    WriteError
        If an output exists and may not be replaced, is a source, or does not fit the disk.
    LimitError
        If a file or a time-stamp would be larger than its form allows.
    OSError
        If the disk refuses.
    """
    settings = settings or FlipSettings()
    span = FrameSpan(start_frame, end_frame)
    if not settings.joined:  # else the stretches say what is there
        span = stated_range(take, span)
    jobs = _jobs(take, out, span, settings)
    _make_folder(out)
    with one_writer(out):
        _refuse_to_replace(jobs, out, settings)
        done = _done_before(jobs, out, settings)
        waiting = [job for job in jobs if job.target.name not in done]
        _refuse_full_disk(waiting, out)
        names = tuple(job.target.name for job in jobs)
        record = _Record(take=take, span=span, settings=settings, names=names, done=done, out=out)
        with _keeping_an_older_manifest(record):
            record.write(is_complete=False)
            _run(waiting, record, progress)
        return record.write(is_complete=True)


def _jobs(take: Take, out: Path, span: FrameSpan, settings: FlipSettings) -> tuple[FlipJob, ...]:
    names = settings.naming.names([file.path for file in take.files])
    longest_ms = seconds_to_ms(samples_to_seconds(span.frames, take.rate))
    if not 0 <= settings.fade_out_ms <= longest_ms:
        raise LimitError(
            f"a fade of {settings.fade_out_ms:g} ms does not fit a clip of {span.frames} frames"
        )
    fade_frames = seconds_to_samples(ms_to_seconds(settings.fade_out_ms), take.rate)
    for stretches in settings.joined:
        refuse_unlike(stretches)
    return tuple(
        _job(
            file,
            out / name,
            take.span_in(index, span),
            settings,
            fade_frames=fade_frames,
            stretches=settings.joined[index] if settings.joined else (),
        )
        for index, (file, name) in enumerate(zip(take.files, names, strict=True))
    )


def _job(
    file: TakeFile,
    target: Path,
    span: FrameSpan,
    settings: FlipSettings,
    *,
    fade_frames: int,
    stretches: tuple[Stretch, ...],
) -> FlipJob:
    stamp = settings.time_reference_samples
    if stamp is None and file.time_reference_samples is not None:
        stamp = file.time_reference_samples + span.start
    if stamp is not None and not 0 <= stamp <= MAX_TIME_REFERENCE:
        raise LimitError(f"no time-stamp can say frame {stamp}", where=file.path)
    faded = f"; last {fade_frames} faded" if fade_frames else ""
    edit = Edit(
        span=span,
        time_reference_samples=stamp,
        adds_stamp=settings.adds_stamp,
        fade_frames=fade_frames,
        history=f"{_read(span, stretches)}{faded}{_of(settings.insert)}",
        words=settings.insert.words if settings.insert else None,
        stretches=stretches,
    )
    return FlipJob(file=file, target=target, edit=edit, may_replace=settings.overwrite)


def _read(span: FrameSpan, stretches: Sequence[Stretch]) -> str:
    """Say for the coding history what was read backwards."""
    if not stretches:
        return f"reversed frames {span.start} to {span.end}"
    parts = [f"{each.file.path.name} {each.span.start} to {each.span.end}" for each in stretches]
    return f"joined and reversed: {'; '.join(parts)}"


def _of(insert: ClipOf | None) -> str:
    """Say for the coding history what the clip is of."""
    return f"; insert {insert.letter} of {insert.song}; take {insert.take}" if insert else ""


def _make_folder(out: Path) -> None:
    try:
        out.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise WriteError("this is no folder", where=out, advice="choose another --out") from None


def _refuse_to_replace(jobs: Sequence[FlipJob], out: Path, settings: FlipSettings) -> None:
    sources = {(job.file.identity.device, job.file.identity.inode): job.file for job in jobs}
    targets = [job.target for job in jobs]
    if not is_barren(out):
        targets.append(out / MANIFEST_NAME)
    there = [path for path in targets if path.exists() or path.is_symlink()]
    for path in there:
        if path.is_dir():
            raise WriteError("a folder is in the way", where=path)
        if not path.exists():
            continue
        status = path.stat()
        source = sources.get((status.st_dev, status.st_ino))
        if source is not None:
            raise WriteError(
                f"this is the source {source.path}, which is never written to",
                where=path,
                advice="choose another --out or --names",
            )
    if there and not (settings.overwrite or settings.resume):
        more = f", and {len(there) - 1} more files do" if len(there) > 1 else ""
        raise WriteError(
            f"exists already{more}",
            where=there[0],
            advice="choose another --out, or give --resume or --overwrite",
        )


def _done_before(
    jobs: Sequence[FlipJob], out: Path, settings: FlipSettings
) -> dict[str, FlippedFile]:
    """Return the entries of an older manifest that are still right, by output name."""
    if not settings.resume or not (out / MANIFEST_NAME).exists():
        return {}
    old = {entry.output: entry for entry in read_manifest(out).files}
    foreign = sorted(set(old) - {job.target.name for job in jobs})
    if foreign and not settings.overwrite:
        raise WriteError(
            f"its manifest tells of {foreign[0]!r}, which is not of this flip",
            where=out / MANIFEST_NAME,
            advice="choose another --out",
        )
    return {
        job.target.name: old[job.target.name]
        for job in jobs
        if job.target.name in old and _is_right(job, old[job.target.name])
    }


def _is_right(job: FlipJob, entry: FlippedFile) -> bool:
    return (
        job.is_done_by(entry)
        and job.target.is_file()
        and job.target.stat().st_size == entry.output_bytes
        and file_sha256(job.target) == entry.output_sha256
        and job.hashes(lambda _count: None) == entry.hashes
    )


def _refuse_full_disk(jobs: Sequence[FlipJob], out: Path) -> None:
    chunked = [job for job in jobs if job.file.layout is not None]
    needed = sum(job.edit.span.frames * job.file.sample.frame_bytes for job in chunked)
    free = shutil.disk_usage(out).free
    if needed > free:
        raise WriteError(f"the disk has {free} bytes left and {needed} are needed", where=out)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Record:
    """The manifest as it grows; `done` holds entries by output name."""

    take: Take
    span: FrameSpan
    settings: FlipSettings
    names: tuple[str, ...]
    done: dict[str, FlippedFile]
    out: Path

    def add(self, *entries: FlippedFile) -> None:
        self.done.update({entry.output: entry for entry in entries})
        self.write(is_complete=False)

    def write(self, *, is_complete: bool) -> Manifest:
        manifest = Manifest(
            is_complete=is_complete,
            rate=self.take.rate,
            start_frame=self.span.start,
            end_frame=self.span.end,
            time_reference=self.settings.time_reference_samples,
            clip_start_samples=self.settings.clip_start_samples,
            files=tuple(self.done[name] for name in self.names if name in self.done),
            notices=self.settings.notices,
            insert=self.settings.insert,
            why=self.settings.why,
        )
        write_manifest(manifest, self.out)
        return manifest


@contextmanager
def _keeping_an_older_manifest(record: _Record) -> Iterator[None]:
    """Let a flip that finishes no file leave the manifest as it found it."""
    path = record.out / MANIFEST_NAME
    kept = temporary_path(path.with_name(f"older-{path.name}"))
    is_older = path.is_file() and not is_barren(record.out)
    done = set(record.done)
    if is_older:  # a second file now: later the disk may have no room for it
        with whole_file(kept) as file:
            file.write(path.read_bytes())
    try:
        yield
    except BaseException:
        if set(record.done) == done:
            if is_older:
                kept.replace(path)
            else:
                path.unlink(missing_ok=True)
        raise
    finally:
        kept.unlink(missing_ok=True)


def _run(jobs: Sequence[FlipJob], record: _Record, progress: Progress) -> None:
    meter = Meter(sum(job.work_bytes for job in jobs), progress)
    with ThreadPoolExecutor(max_workers=WORKERS) as pool:
        futures = [pool.submit(flip_file, job, meter) for job in jobs]
        try:
            for future in as_completed(futures):
                record.add(future.result())
        except BaseException:
            meter.stopped.set()
            _save_finished(futures, record)
            raise


def _save_finished(futures: Sequence[Future[FlippedFile]], record: _Record) -> None:
    """Let the manifest tell of files that were finished although the run was not."""
    finished = [
        future.result() for future in futures if not future.cancel() and future.exception() is None
    ]
    with contextlib.suppress(OSError):  # the first failure is the one to tell
        record.add(*finished)

"""Flips the files of a take: reads them backwards, writes them whole or not at all.

Sources are opened for reading only and never replaced. Each output is written under a temporary
name, flushed to the disk and renamed; then the manifest is. Whatever stops a run leaves finished
files, their manifest, and at most temporaries, which the next run clears away.
"""

import contextlib
import hashlib
import os
import shutil
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, field
from io import BufferedReader
from pathlib import Path
from typing import BinaryIO

from retro.errors import LimitError, TakeError, WriteError
from retro.files.safe_file import one_writer, temporary_path, whole_file
from retro.takes.chunks import Layout
from retro.takes.common_range import Take, stated_range
from retro.takes.flac_file import flip_flac
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
from retro.takes.reverse import BLOCK_BYTES
from retro.takes.rewrite import Edit, plan_rewriting, written_stamp
from retro.takes.take_file import Identity, TakeFile
from retro.units import ms_to_seconds, samples_to_seconds, seconds_to_ms, seconds_to_samples

WORKERS = 6
"""Files at once: while some wait for the disk, others are turned and hashed."""

MAX_TIME_REFERENCE = 2**64 - 1

Progress = Callable[[int, int], None]
"""Called with the bytes done and the bytes of all, now and then, from any thread."""


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
    """

    naming: Naming = field(default_factory=Naming)
    time_reference_samples: int | None = None
    clip_start_samples: int | None = None
    notices: tuple[str, ...] = ()
    adds_stamp: bool = True
    fade_out_ms: float = 0.0
    overwrite: bool = False
    resume: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """One file, and what shall become of it."""

    file: TakeFile
    target: Path
    edit: Edit
    may_replace: bool

    @property
    def work_bytes(self) -> int:
        return self.edit.span.frames * self.file.sample.frame_bytes + self.file.identity.bytes

    def is_done_by(self, entry: FlippedFile) -> bool:
        """Whether an entry of an older manifest tells of this very job."""
        return (
            entry.source_bytes == self.file.identity.bytes
            and (entry.start_frame, entry.end_frame) == (self.edit.span.start, self.edit.span.end)
            and entry.time_reference == written_stamp(self.file, self.edit)
            and entry.faded_frames == self.edit.fade_frames
        )


class _StoppedError(Exception):
    """The file is given up since the run is."""


class _Meter:
    """Counts bytes over all threads, and tells them to stop."""

    def __init__(self, total: int, progress: Progress) -> None:
        self.total = total
        self.progress = progress
        self.done = 0
        self.lock = threading.Lock()
        self.stopped = threading.Event()

    def advance(self, count: int) -> None:
        if self.stopped.is_set():
            raise _StoppedError
        with self.lock:
            self.done += count
            done = self.done
        self.progress(done, self.total)


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
    span = stated_range(take, FrameSpan(start_frame, end_frame))
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


def _jobs(take: Take, out: Path, span: FrameSpan, settings: FlipSettings) -> tuple[_Job, ...]:
    names = settings.naming.names([file.path for file in take.files])
    longest_ms = seconds_to_ms(samples_to_seconds(span.frames, take.rate))
    if not 0 <= settings.fade_out_ms <= longest_ms:
        raise LimitError(
            f"a fade of {settings.fade_out_ms:g} ms does not fit a clip of {span.frames} frames"
        )
    fade_frames = seconds_to_samples(ms_to_seconds(settings.fade_out_ms), take.rate)
    return tuple(
        _job(file, out / name, take.span_in(index, span), fade_frames, settings)
        for index, (file, name) in enumerate(zip(take.files, names, strict=True))
    )


def _job(
    file: TakeFile, target: Path, span: FrameSpan, fade_frames: int, settings: FlipSettings
) -> _Job:
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
        history=f"reversed frames {span.start} to {span.end}{faded}",
    )
    return _Job(file=file, target=target, edit=edit, may_replace=settings.overwrite)


def _make_folder(out: Path) -> None:
    try:
        out.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise WriteError("this is no folder", where=out, advice="choose another --out") from None


def _refuse_to_replace(jobs: Sequence[_Job], out: Path, settings: FlipSettings) -> None:
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


def _done_before(jobs: Sequence[_Job], out: Path, settings: FlipSettings) -> dict[str, FlippedFile]:
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


def _is_right(job: _Job, entry: FlippedFile) -> bool:
    return (
        job.is_done_by(entry)
        and job.target.is_file()
        and job.target.stat().st_size == entry.output_bytes
        and _sha256(job.target) == entry.output_sha256
        and _sha256(job.file.path) == entry.source_sha256
    )


def _refuse_full_disk(jobs: Sequence[_Job], out: Path) -> None:
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


def _run(jobs: Sequence[_Job], record: _Record, progress: Progress) -> None:
    meter = _Meter(sum(job.work_bytes for job in jobs), progress)
    with ThreadPoolExecutor(max_workers=WORKERS) as pool:
        futures = [pool.submit(_flip_file, job, meter) for job in jobs]
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


def _flip_file(job: _Job, meter: _Meter) -> FlippedFile:
    file = job.file
    with file.path.open("rb") as source:
        _refuse_changed(file, os.fstat(source.fileno()))
        replaces = job.may_replace or job.target.exists()
        with whole_file(job.target, replaces=replaces) as target:
            if file.layout is None:
                output_sha256, notices = _write_flac(job, target, meter)
            else:
                output_sha256, notices = _write_chunked(job, file.layout, source, target, meter)
            source_sha256 = _digest(source, meter.advance)
            _refuse_changed(file, os.fstat(source.fileno()))
            _refuse_changed(file, file.path.stat())
            target.flush()
            output_bytes = os.fstat(target.fileno()).st_size
            _refuse_to_lose(job, output_sha256)
    return FlippedFile(
        source=file.path.name,
        source_sha256=source_sha256,
        source_bytes=file.identity.bytes,
        output=job.target.name,
        output_sha256=output_sha256,
        output_bytes=output_bytes,
        start_frame=job.edit.span.start,
        end_frame=job.edit.span.end,
        source_time_reference=file.time_reference_samples,
        time_reference=written_stamp(file, job.edit),
        rate=file.sample.rate,
        channels=file.sample.channels,
        samples=str(file.sample),
        container=file.container.value,
        faded_frames=job.edit.fade_frames,
        notices=(*file.notices, *notices),
    )


def _write_chunked(
    job: _Job, layout: Layout, source: BufferedReader, target: BinaryIO, meter: _Meter
) -> tuple[str, tuple[str, ...]]:
    """Write a file of chunks; give its hash and what was odd."""
    plan = plan_rewriting(job.file, layout, source, job.edit)
    digest = hashlib.sha256()
    for block in plan.blocks(source):
        target.write(block)
        digest.update(block)
        meter.advance(len(block))
    return digest.hexdigest(), tuple(plan.notices)


def _write_flac(job: _Job, target: BinaryIO, meter: _Meter) -> tuple[str, tuple[str, ...]]:
    """Write a FLAC file; likewise."""
    with tempfile.TemporaryFile(dir=job.target.parent) as scratch:
        flip_flac(
            job.file.path,
            sample=job.file.sample,
            span=job.edit.span,
            fade_frames=job.edit.fade_frames,
            scratch=scratch,
            target=target,
            advance=meter.advance,
        )
    target.flush()
    with Path(target.name).open("rb") as written:
        digest = _digest(written, lambda _: None)
    stamped = job.edit.adds_stamp and job.edit.time_reference_samples is not None
    notice = "FLAC holds no time-stamp; place the clip by its number"
    return digest, (notice,) if stamped else ()


def _refuse_changed(file: TakeFile, status: os.stat_result) -> None:
    if Identity.of(status) != file.identity:
        raise TakeError(
            "the file changed while it was read", where=file.path, advice="flip it again"
        )


def _refuse_to_lose(job: _Job, output_sha256: str) -> None:
    """Refuse to replace a file that says anything else."""
    if job.may_replace or not job.target.exists():
        return
    if _sha256(job.target) != output_sha256:
        raise WriteError(
            "exists already and differs from what this flip gives",
            where=job.target,
            advice="give --overwrite to replace it",
        )


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return _digest(file, lambda _: None)


def _digest(file: BufferedReader, advance: Callable[[int], None]) -> str:
    """Hash a file from its beginning."""
    digest = hashlib.sha256()
    buffer = memoryview(bytearray(BLOCK_BYTES))
    file.seek(0)
    while count := file.readinto(buffer):
        digest.update(buffer[:count])
        advance(count)
    return digest.hexdigest()

"""One file of a take is turned round: read backwards, hashed, and written whole or not at all."""

import hashlib
import os
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path
from typing import BinaryIO

from retro.errors import TakeError, WriteError, as_message
from retro.files.hashes import file_sha256
from retro.files.safe_file import whole_file
from retro.takes.assemble import spans_read
from retro.takes.chunks import Layout
from retro.takes.flac_file import flip_flac
from retro.takes.frame_hash import frames_sha256
from retro.takes.manifest import FlippedFile, JoinedStretch
from retro.takes.marks import FrameSpan
from retro.takes.rewrite import Edit, plan_rewriting, written_stamp
from retro.takes.take_file import Identity, TakeFile

Progress = Callable[[int, int], None]
"""Called with the bytes done and the bytes of all, now and then, from any thread."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlipJob:
    """One file, and what shall become of it."""

    file: TakeFile
    target: Path
    edit: Edit
    may_replace: bool

    @property
    def work_bytes(self) -> int:
        """Bytes of frames that are turned and hashed for it."""
        hashed = sum(span.frames for _, span in self.read)
        return (self.edit.span.frames + hashed) * self.file.sample.frame_bytes

    @property
    def read(self) -> tuple[tuple[TakeFile, FrameSpan], ...]:
        """The frames that its samples are made of: its own, or those of each stretch."""
        return spans_read(self.edit.stretches) or ((self.file, self.edit.span),)

    def hashes(self, advance: Callable[[int], None]) -> tuple[str, ...]:
        """Return the hashes of the frames that its samples are made of."""
        return tuple(frames_sha256(file, span, advance) for file, span in self.read)

    def is_done_by(self, entry: FlippedFile) -> bool:
        """Whether an entry of an older manifest tells of this very job."""
        return (
            entry.source_bytes == self.file.identity.bytes
            and (entry.start_frame, entry.end_frame) == (self.edit.span.start, self.edit.span.end)
            and entry.time_reference == written_stamp(self.file, self.edit)
            and entry.faded_frames == self.edit.fade_frames
            and [_placed(each) for each in entry.stretches]
            == [
                (as_message(each.file.path.name), each.span.start, each.span.end, each.fade_frames)
                for each in self.edit.stretches
            ]
        )


def _placed(entry: JoinedStretch) -> tuple[str, int, int, int]:
    return entry.source, entry.start_frame, entry.end_frame, entry.fade_frames


class StoppedError(Exception):
    """A file is given up since the run is."""


class Meter:
    """Counts bytes over all threads, and tells them to stop."""

    def __init__(self, total: int, progress: Progress) -> None:
        self.total = total
        self.progress = progress
        self.done = 0
        self.lock = threading.Lock()
        self.stopped = threading.Event()

    def advance(self, count: int) -> None:
        """Count some bytes more."""
        if self.stopped.is_set():
            raise StoppedError
        with self.lock:
            self.done += count
            done = self.done
        self.progress(done, self.total)


def flip_file(job: FlipJob, meter: Meter) -> FlippedFile:
    """Flip one file; return what became of it.

    Raises
    ------
    TakeError
        If the source changes meanwhile.
    WriteError
        If another file stands in its place.
    """
    file = job.file
    with file.path.open("rb") as source:
        _refuse_changed(file, os.fstat(source.fileno()))
        replaces = job.may_replace or job.target.exists()
        with whole_file(job.target, replaces=replaces) as target:
            if file.layout is None:
                output_sha256, notices = _write_flac(job, target, meter)
            else:
                output_sha256, notices = _write_chunked(job, file.layout, source, target, meter)
            hashes = job.hashes(meter.advance)
            _refuse_changed(file, os.fstat(source.fileno()))
            for each in (file, *(stretch.file for stretch in job.edit.stretches)):
                _refuse_changed(each, each.path.stat())
            target.flush()
            output_bytes = os.fstat(target.fileno()).st_size
            _refuse_to_lose(job, output_sha256)
    return FlippedFile(
        source=as_message(file.path.name),
        frames_sha256=None if job.edit.stretches else hashes[0],
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
        stretches=tuple(_joined(job, hashes)),
    )


def _joined(job: FlipJob, hashes: Sequence[str]) -> Iterator[JoinedStretch]:
    """Yield the entries of the stretches that a clip is joined of; none for any other clip."""
    for stretch, frames_hash in zip(job.edit.stretches, hashes, strict=False):
        yield JoinedStretch(
            source=as_message(stretch.file.path.name),
            frames_sha256=frames_hash,
            source_bytes=stretch.file.identity.bytes,
            start_frame=stretch.span.start,
            end_frame=stretch.span.end,
            fade_frames=stretch.fade_frames,
        )


def _write_chunked(
    job: FlipJob, layout: Layout, source: BufferedReader, target: BinaryIO, meter: Meter
) -> tuple[str, tuple[str, ...]]:
    """Write a file of chunks; give its hash and what was odd."""
    plan = plan_rewriting(job.file, layout, source, job.edit)
    digest = hashlib.sha256()
    for block in plan.blocks(source):
        target.write(block)
        digest.update(block)
        meter.advance(len(block))
    return digest.hexdigest(), tuple(plan.notices)


def _write_flac(job: FlipJob, target: BinaryIO, meter: Meter) -> tuple[str, tuple[str, ...]]:
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
    digest = file_sha256(Path(target.name))
    stamped = job.edit.adds_stamp and job.edit.time_reference_samples is not None
    notice = "FLAC holds no time-stamp; place the clip by its number"
    return digest, (notice,) if stamped else ()


def _refuse_changed(file: TakeFile, status: os.stat_result) -> None:
    if Identity.of(status) != file.identity:
        raise TakeError(
            "the file changed while it was read", where=file.path, advice="flip it again"
        )


def _refuse_to_lose(job: FlipJob, output_sha256: str) -> None:
    """Refuse to replace a file that says anything else."""
    if job.may_replace or not job.target.exists():
        return
    if file_sha256(job.target) != output_sha256:
        raise WriteError(
            "exists already and differs from what this flip gives",
            where=job.target,
            advice="give --overwrite to replace it",
        )

"""A chunked file written anew around its flipped samples.

Every chunk keeps its order and its bytes. Changed are only: the samples; the sizes and frame counts
that tell of them; ``bext`` (time-stamp and one line of coding history); marks and peaks, which are
mirrored; and where it is said what the clip is of, the description in ``bext`` and a note in
``iXML``. Left out are pictures of the old samples (``levl``), and peaks that the clip has not.
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from io import BufferedReader

from retro.errors import LimitError
from retro.takes.assemble import Stretch, assembled_backwards
from retro.takes.bext import HISTORY_OFFSET, history_line, new_chunk, stamped, with_description
from retro.takes.chunks import (
    MAX_32,
    UNKNOWN_32,
    W64_TAIL,
    Chunk,
    Container,
    Framing,
    Layout,
    opening,
    read_payload,
)
from retro.takes.clip_of import new_ixml, with_note
from retro.takes.fade import Block, faded, frame_scale
from retro.takes.marks import (
    FrameSpan,
    mirror_cues,
    mirror_instrument,
    mirror_labels,
    mirror_loops,
    mirror_markers,
    mirror_peaks,
    region_lengths,
)
from retro.takes.reverse import BLOCK_BYTES, reversed_blocks
from retro.takes.take_file import TakeFile

DS64_BYTES = 28
W64_MARKERS = bytes.fromhex("5662f7ab2d39d21186c700c04f8edb8a")


@dataclass(frozen=True, slots=True, kw_only=True)
class Edit:
    """What shall become of a file.

    Parameters
    ----------
    span
        Frames of the file that are flipped.
    time_reference_samples
        Frames since midnight at which the clip begins, or None to leave the stamp alone.
    adds_stamp
        Whether a file without ``bext`` gets one.
    fade_frames
        Frames at the end that fade out.
    history
        What the line of coding history says.
    words
        What the clip is of, for its description and its note; None leaves both alone.
    stretches
        Stretches of takes that are joined, where the samples are not the file's own alone; as long
        as `span` together.
    """

    span: FrameSpan
    time_reference_samples: int | None
    adds_stamp: bool
    fade_frames: int
    history: str
    words: str | None = None
    stretches: tuple[Stretch, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """A chunk to be written: `body`, then `copied_bytes` of the source, or the samples."""

    raw_name: bytes
    body: bytes = b""
    copied_from: int = 0
    copied_bytes: int = 0
    sample_bytes: int = 0

    @property
    def size(self) -> int:
        return len(self.body) + self.copied_bytes + self.sample_bytes


@dataclass(slots=True)
class Rewriting:
    """How a file will be written: its whole size is known before the first byte is."""

    file: TakeFile
    edit: Edit
    container: Container
    framing: Framing
    pieces: list[_Piece] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)

    @property
    def inner_bytes(self) -> int:
        """Bytes of all chunks."""
        return sum(
            self.framing.header_bytes + piece.size + self._padding(piece) for piece in self.pieces
        )

    @property
    def total_bytes(self) -> int:
        """Bytes of the whole file."""
        return self.framing.opening_bytes + self.inner_bytes

    def blocks(self, source: BufferedReader) -> Iterator[bytes | memoryview]:
        """Yield the file's bytes in order, reading the source as they are needed."""
        size = self.framing.name_bytes + self.inner_bytes
        yield opening(self.container, self.framing, size)
        for piece in self.pieces:
            is_wide = bool(piece.sample_bytes) and self.container.has_ds64
            shown = UNKNOWN_32 if is_wide else piece.size
            yield self.framing.header(piece.raw_name, shown)
            yield piece.body
            if piece.sample_bytes:
                yield from (block.data for block in self._samples(source))
            else:
                yield from _copied(source, piece.copied_from, piece.copied_bytes)
            yield bytes(self._padding(piece))

    def _padding(self, piece: _Piece) -> int:
        """Fill up after a chunk; in W64 not after the last, where readers count it as samples."""
        is_end = self.container is Container.W64 and piece is self.pieces[-1]
        return 0 if is_end else self.framing.padding(piece.size)

    def _samples(self, source: BufferedReader) -> Iterator[Block]:
        sample, span, fade_frames = self.file.sample, self.edit.span, self.edit.fade_frames
        blocks: Iterator[Block]
        if self.edit.stretches:
            blocks = assembled_backwards(self.edit.stretches)
        else:
            blocks = reversed_blocks(
                source,
                data_offset=self.file.data_offset,
                frame_bytes=sample.frame_bytes,
                span=span,
            )
        if not fade_frames:
            return blocks
        return faded(
            blocks,
            frames=span.frames,
            fade_frames=fade_frames,
            frame_items=sample.frame_bytes,
            scale=frame_scale(sample),
        )


def written_stamp(file: TakeFile, edit: Edit) -> int | None:
    """Return the TimeReference that the flipped file carries, or None where it carries none."""
    is_there = file.time_reference_samples is not None
    carries = is_there or (edit.adds_stamp and _can_hold(file))
    return edit.time_reference_samples if carries else None


def _can_hold(file: TakeFile) -> bool:
    """Whether a time-stamp stands in the file, or can be added to it."""
    if file.time_reference_samples is not None:
        return True
    layout = file.layout
    return file.container.takes_new and layout is not None and layout.find(b"bext") is None


def plan_rewriting(file: TakeFile, layout: Layout, source: BufferedReader, edit: Edit) -> Rewriting:
    """Work out how a file will be written.

    Raises
    ------
    LimitError
        If it would not fit its form.
    TakeError
        If its samples cannot be faded as wanted.
    """
    if edit.fade_frames:
        frame_scale(file.sample)
    plan = Rewriting(file, edit, layout.container, layout.framing)
    plan.pieces = list(_Pieces(plan, layout, source).pieces())
    if plan.container.has_ds64 or plan.total_bytes > MAX_32:
        _state_wide_sizes(plan)
    return plan


class _Pieces:
    """Turns the chunks of a source into the pieces of its flip."""

    def __init__(self, plan: Rewriting, layout: Layout, source: BufferedReader) -> None:
        self.plan = plan
        self.layout = layout
        self.source = source
        self.order = layout.framing.byte_order
        self.span = plan.edit.span
        self.data = layout.find(layout.data_name)
        self.regions = self._regions()
        cue = layout.find(b"cue ")
        self.cues = (
            mirror_cues(self._payload(cue), self.regions, self.span, self.order) if cue else None
        )

    def pieces(self) -> Iterator[_Piece]:
        if self._lacks_stamp():
            yield self._new_stamp()
        if self._lacks_note():
            yield self._new_note()
        for chunk in self.layout.chunks:
            if self._is_untrue(chunk):
                told = chunk.name.decode("latin-1").strip()
                self.plan.notices.append(f"its {told} chunk is not true of the clip and left out")
            else:
                yield self._piece(chunk)

    def _is_untrue(self, chunk: Chunk) -> bool:
        """Whether a chunk tells of samples that are no longer there or no longer so."""
        return chunk.name == b"levl" or (chunk.name == b"PEAK" and self._peaks(chunk) is None)

    def _peaks(self, chunk: Chunk) -> bytes | None:
        if self.plan.edit.fade_frames or self.plan.edit.stretches:
            return None
        return mirror_peaks(self._payload(chunk), self.span, self.order)

    def _payload(self, chunk: Chunk) -> bytes:
        return read_payload(self.source, chunk)

    def _piece(self, chunk: Chunk) -> _Piece:
        if chunk is self.data:
            return self._samples(chunk)
        body = self._changed(chunk)
        if body is not None:
            return _Piece(raw_name=chunk.raw_name, body=body)
        self._tell_of(chunk)
        return _Piece(raw_name=chunk.raw_name, copied_from=chunk.offset, copied_bytes=chunk.size)

    def _samples(self, chunk: Chunk) -> _Piece:
        head_bytes = self.plan.file.data_offset - chunk.offset
        self.source.seek(chunk.offset)
        return _Piece(
            raw_name=chunk.raw_name,
            body=self.source.read(head_bytes),
            sample_bytes=self.span.frames * self.plan.file.sample.frame_bytes,
        )

    def _changed(self, chunk: Chunk) -> bytes | None:
        """Return the new payload of a chunk that must change, or None."""
        if chunk.name == b"PEAK":
            return self._peaks(chunk)
        if self.layout.container.is_wave:
            is_noted = chunk.name == b"iXML" and self.plan.edit.words is not None
            return self._noted(chunk) if is_noted else self._changed_wave(chunk)
        if chunk.name == b"COMM":
            payload = self._payload(chunk)
            return payload[:2] + struct.pack(">I", self.span.frames) + payload[6:]
        if chunk.name == b"MARK":
            body, left_out = mirror_markers(self._payload(chunk), self.span)
            self._tell_left_out(left_out, "markers")
            return body
        return mirror_instrument(self._payload(chunk)) if chunk.name == b"INST" else None

    def _changed_wave(self, chunk: Chunk) -> bytes | None:
        if chunk.name == b"bext":
            return self._stamp(self._payload(chunk))
        if chunk.name == b"fact":
            return self._frame_count(self._payload(chunk))
        if chunk.name == b"smpl":
            body, left_out = mirror_loops(self._payload(chunk), self.span, self.order)
            self._tell_left_out(left_out, "loops")
            return body
        if self.cues and chunk.name == b"cue ":
            self._tell_left_out(len(self.cues.left_out), "cues")
            return self.cues.payload
        if self.cues and self._is_adtl(chunk):
            return mirror_labels(self._payload(chunk), self.cues, self.order)
        return self._payload(chunk) if chunk.name == b"ds64" else None

    def _noted(self, chunk: Chunk) -> bytes | None:
        """Return an iXML payload with the note, or None where it takes none."""
        noted = with_note(self._payload(chunk), self.plan.edit.words or "")
        if noted is None:
            self.plan.notices.append("its iXML is no BWFXML and takes no note")
        else:
            self._tell_of(chunk)
        return noted

    def _lacks_note(self) -> bool:
        can_hold = self.layout.container.takes_new and self.layout.find(b"iXML") is None
        return self.plan.edit.words is not None and can_hold

    def _new_note(self) -> _Piece:
        is_wide = self.layout.container is Container.W64
        raw_name = b"iXML" + W64_TAIL if is_wide else b"iXML"
        return _Piece(raw_name=raw_name, body=new_ixml(self.plan.edit.words or ""))

    def _frame_count(self, payload: bytes) -> bytes:
        if self.layout.container is Container.W64 and len(payload) >= 8:
            return struct.pack("<Q", self.span.frames) + payload[8:]
        if len(payload) < 4:
            return payload
        count = min(self.span.frames, UNKNOWN_32)
        return struct.pack(f"{self.order}I", count) + payload[4:]

    def _regions(self) -> dict[int, int]:
        regions: dict[int, int] = {}
        for chunk in self.layout.chunks:
            if self._is_adtl(chunk):
                regions |= region_lengths(self._payload(chunk), self.order)
        return regions

    def _is_adtl(self, chunk: Chunk) -> bool:
        if chunk.name != b"LIST" or chunk.size < 4:
            return False
        self.source.seek(chunk.offset)
        return self.source.read(4) == b"adtl"

    def _lacks_stamp(self) -> bool:
        file, edit = self.plan.file, self.plan.edit
        is_new = written_stamp(file, edit) is not None and file.time_reference_samples is None
        if edit.adds_stamp and edit.time_reference_samples is not None and not _can_hold(file):
            self.plan.notices.append(
                f"{file.container.value} holds no time-stamp; place the clip by its number"
            )
        return is_new

    def _new_stamp(self) -> _Piece:
        raw_name = b"bext" + W64_TAIL if self.layout.container is Container.W64 else b"bext"
        words = self.plan.edit.words
        payload = new_chunk(description=words or f"Flipped: {self.plan.file.path.name}")
        return _Piece(raw_name=raw_name, body=self._stamp(payload))

    def _stamp(self, payload: bytes) -> bytes:
        edit = self.plan.edit
        if edit.time_reference_samples is None:
            return payload
        if len(payload) < HISTORY_OFFSET:
            self.plan.notices.append("its bext chunk is cut off")
        described = payload if edit.words is None else with_description(payload, edit.words)
        return stamped(
            described,
            time_reference_samples=edit.time_reference_samples,
            history=history_line(self.plan.file.sample, edit.history),
            byte_order=self.order,
        )

    def _tell_left_out(self, count: int, what: str) -> None:
        if count:
            self.plan.notices.append(f"{count} {what} outside the range are left out")

    def _tell_of(self, chunk: Chunk) -> None:
        if chunk.raw_name == W64_MARKERS:
            self.plan.notices.append("its W64 markers are kept as they are, not mirrored")
        if chunk.name != b"iXML" or self.plan.edit.time_reference_samples is None:
            return
        text = self._payload(chunk)
        if b"TIME_REFERENCE" in text or b"SAMPLES_SINCE_MIDNIGHT" in text:
            self.plan.notices.append(
                "its iXML still tells the recording's time-stamp; place by bext"
            )


def _state_wide_sizes(plan: Rewriting) -> None:
    """Add the ``ds64`` chunk that states a plan's sizes; a RIFF that grew over becomes RF64."""
    if plan.container is Container.W64:
        return
    if plan.container not in (Container.RIFF, Container.RF64, Container.BW64):
        raise LimitError(
            f"{plan.total_bytes} bytes do not fit into {plan.container.value}",
            where=plan.file.path,
            advice="export RF64",
        )
    if plan.container is Container.RIFF:
        plan.container = Container.RF64
        plan.notices.append("more than 4 GiB: written as RF64")
    old = next((piece.body for piece in plan.pieces if piece.raw_name == b"ds64"), b"")
    others = [piece for piece in plan.pieces if piece.raw_name != b"ds64"]
    table = old[DS64_BYTES:]
    plan.pieces = [_Piece(raw_name=b"ds64", body=bytes(DS64_BYTES) + table), *others]
    sizes = struct.pack(
        "<QQQ",
        plan.framing.name_bytes + plan.inner_bytes,
        sum(piece.sample_bytes for piece in others),
        plan.edit.span.frames,
    )
    entries = old[24:DS64_BYTES].ljust(4, b"\0")
    plan.pieces[0] = _Piece(raw_name=b"ds64", body=sizes + entries + table)


def _copied(source: BufferedReader, start: int, size: int) -> Iterator[bytes]:
    for at in range(start, start + size, BLOCK_BYTES):
        source.seek(at)
        yield source.read(min(BLOCK_BYTES, start + size - at))

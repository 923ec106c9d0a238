"""The outer form of chunked sound files: what lies where, and how it is framed again.

RIFF, RIFX, RF64, BW64, W64, AIFF and AIFC all hold a row of chunks, each with its name and size.
They differ in byte order, widths and padding, which `Framing` states. What a file says wrongly (a
recorder that crashed, a copy that was cut off) is put right by what is really there, and told.

Sources: RIFF, Multimedia Programming Interface and Data Specifications 1.0 (from memory); RF64 and
BW64, EBU Tech 3306 and ITU-R BS.2088; AIFF 1.3 and AIFC (from memory);
W64, the layout that libsndfile writes.
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from itertools import islice
from pathlib import Path
from typing import BinaryIO, Literal

from retro.errors import AudioError, LimitError

UNKNOWN_32 = 0xFFFFFFFF
"""A 32-bit size that is stated elsewhere, or was never filled in."""

MAX_32 = 0xFFFFFFFE

MAX_CHUNK_BYTES = 2**24
"""Most bytes of a chunk that is read whole: all but the samples."""

MAX_CHUNKS = 10_000
"""Most chunks of a file."""

W64_RIFF = bytes.fromhex("726966662e91cf11a5d628db04c10000")
W64_WAVE = bytes.fromhex("77617665f3acd3118cd100c04f8edb8a")
W64_TAIL = W64_WAVE[4:]
"""What follows the four letters in the identifiers of W64."""


class Container(StrEnum):
    """The outer form of a sound file."""

    RIFF = "RIFF"
    RIFX = "RIFX"
    RF64 = "RF64"
    BW64 = "BW64"
    W64 = "W64"
    AIFF = "AIFF"
    AIFC = "AIFC"
    FLAC = "FLAC"

    @property
    def has_ds64(self) -> bool:
        """Whether its sizes stand in a ``ds64`` chunk."""
        return self in (Container.RF64, Container.BW64)

    @property
    def is_wave(self) -> bool:
        """Whether it is one of the WAV family, which can hold a ``bext`` chunk."""
        return self not in (Container.AIFF, Container.AIFC, Container.FLAC)

    @property
    def takes_new(self) -> bool:
        """Whether a ``bext`` or an ``iXML`` chunk can be added to it."""
        return self.is_wave and self is not Container.RIFX


@dataclass(frozen=True, slots=True, kw_only=True)
class Framing:
    """How chunks are framed.

    Parameters
    ----------
    byte_order
        Of the sizes, and of the numbers in the chunks.
    name_bytes, size_bytes
        Widths of a chunk's name and size.
    align
        Chunks begin at multiples of this many bytes.
    counts_header
        Whether a chunk's size counts its name and size too.
    """

    byte_order: Literal["<", ">"]
    name_bytes: int = 4
    size_bytes: int = 4
    align: int = 2
    counts_header: bool = False

    @property
    def header_bytes(self) -> int:
        """Bytes before a chunk's payload."""
        return self.name_bytes + self.size_bytes

    @property
    def opening_bytes(self) -> int:
        """Bytes before the first chunk."""
        return self.header_bytes + self.name_bytes

    def padding(self, size: int) -> int:
        """Bytes that fill up after a payload of `size` bytes."""
        return -size % self.align

    def header(self, name: bytes, size: int) -> bytes:
        """Return name and size as they stand before a payload; too large a size is left unknown."""
        if self.size_bytes == 8:
            return name + struct.pack(f"{self.byte_order}Q", size + self.header_bytes)
        return name + struct.pack(f"{self.byte_order}I", min(size, UNKNOWN_32))

    def read_header(self, data: bytes) -> tuple[bytes, int]:
        """Return name and payload size out of the bytes of a header."""
        letter = "Q" if self.size_bytes == 8 else "I"
        (size,) = struct.unpack_from(f"{self.byte_order}{letter}", data, self.name_bytes)
        counted = self.header_bytes if self.counts_header else 0
        return data[: self.name_bytes], max(size - counted, 0)


LITTLE = Framing(byte_order="<")
BIG = Framing(byte_order=">")
WIDE = Framing(byte_order="<", name_bytes=16, size_bytes=8, align=8, counts_header=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chunk:
    """A chunk of a file.

    Parameters
    ----------
    name
        Four letters; in W64 the whole identifier where it is none of the usual ones.
    raw_name
        The name as it stands in the file.
    offset, size
        Where the payload begins, and how many bytes of it are there.
    """

    name: bytes
    raw_name: bytes
    offset: int
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """What lies where in a chunked file."""

    container: Container
    framing: Framing
    chunks: tuple[Chunk, ...]
    notices: tuple[str, ...]

    def find(self, name: bytes) -> Chunk | None:
        """Return the first chunk of a name."""
        return next((chunk for chunk in self.chunks if chunk.name == name), None)

    @property
    def data_name(self) -> bytes:
        """Name of the chunk that holds the samples."""
        return data_name(self.container)


def data_name(container: Container) -> bytes:
    """Name of the chunk that holds the samples."""
    return b"SSND" if container in (Container.AIFF, Container.AIFC) else b"data"


def opening(container: Container, framing: Framing, size: int) -> bytes:
    """Return the bytes before the first chunk; `size` counts everything after the size field."""
    if container is Container.W64:
        total = size + framing.header_bytes
        return W64_RIFF + struct.pack("<Q", total) + W64_WAVE
    if container in (Container.AIFF, Container.AIFC):
        return framing.header(b"FORM", size) + container.value.encode()
    shown = UNKNOWN_32 if container.has_ds64 else size
    return framing.header(container.value.encode(), shown) + b"WAVE"


def read_layout(file: BinaryIO, file_bytes: int, path: Path) -> Layout | None:
    """Return what lies where in a file; None where it is none of the chunked forms.

    Raises
    ------
    AudioError
        If it is one of them but holds no sound.
    LimitError
        If it holds more chunks than files have.
    """
    file.seek(0)
    head = file.read(40)
    known = _recognise(head)
    if known is None:
        return None
    container, framing = known
    stated = framing.read_header(head[: framing.header_bytes])[1] + framing.header_bytes
    walk = _Walk(file, file_bytes, container, framing, stated)
    chunks = tuple(islice(walk.chunks(), MAX_CHUNKS + 1))
    if len(chunks) > MAX_CHUNKS:
        raise LimitError(f"holds more than {MAX_CHUNKS} chunks", where=path)
    layout = Layout(
        container=container, framing=framing, chunks=chunks, notices=tuple(walk.notices)
    )
    if layout.find(layout.data_name) is None:
        raise AudioError("the file holds no samples", where=path)
    return layout


def read_payload(file: BinaryIO, chunk: Chunk) -> bytes:
    """Read the payload of a small chunk.

    Raises
    ------
    LimitError
        If it is larger than such chunks are.
    """
    if chunk.size > MAX_CHUNK_BYTES:
        raise LimitError(
            f"a {chunk.name!r} chunk of {chunk.size} bytes, more than {MAX_CHUNK_BYTES}",
            where=file.name,
        )
    file.seek(chunk.offset)
    return file.read(chunk.size)


def _recognise(head: bytes) -> tuple[Container, Framing] | None:
    magic, form = head[:4], head[8:12]
    if magic in (b"RIFF", b"RF64", b"BW64") and form == b"WAVE":
        return Container(magic.decode()), LITTLE
    if magic == b"RIFX" and form == b"WAVE":
        return Container.RIFX, BIG
    if magic == b"FORM" and form in (b"AIFF", b"AIFC"):
        return Container(form.decode()), BIG
    if head[:16] == W64_RIFF and head[24:40] == W64_WAVE:
        return Container.W64, WIDE
    return None


class _Walk:
    """One pass over the chunks of a file; `notices` fills up on the way."""

    def __init__(
        self,
        file: BinaryIO,
        file_bytes: int,
        container: Container,
        framing: Framing,
        stated_bytes: int,
    ) -> None:
        self.file = file
        self.file_bytes = file_bytes
        self.framing = framing
        self.data_name = data_name(container)
        self.has_ds64 = container.has_ds64
        self.stated_bytes = stated_bytes
        self.wide_sizes: dict[bytes, int] = {}
        self.notices: list[str] = []

    def chunks(self) -> Iterator[Chunk]:
        at = self.framing.opening_bytes
        while at + self.framing.header_bytes <= self.file_bytes:
            raw_name, size = self._header(at)
            if not _is_name(raw_name):
                break
            chunk = self._chunk(raw_name, at + self.framing.header_bytes, size)
            if chunk is None:
                return
            if chunk.name == b"ds64" and self.has_ds64:
                self._read_ds64(chunk)
            yield chunk
            at = self._after(chunk)
        if at < self.file_bytes:
            self.notices.append(f"{self.file_bytes - at} bytes after the last chunk are left out")

    def _header(self, at: int) -> tuple[bytes, int]:
        self.file.seek(at)
        return self.framing.read_header(self.file.read(self.framing.header_bytes))

    def _chunk(self, raw_name: bytes, offset: int, size: int) -> Chunk | None:
        is_short = self.framing.name_bytes == 4
        name = raw_name if is_short or raw_name[4:] != W64_TAIL else raw_name[:4]
        if self.has_ds64 and size == UNKNOWN_32:
            size = self.wide_sizes.get(name, size)
        there = self.file_bytes - offset
        if name == self.data_name:
            size = self._data_size(size, offset, there)
        elif size > there:
            self.notices.append(f"the cut-off chunk {_spelled(name)} at the end is left out")
            return None
        return Chunk(name=name, raw_name=raw_name, offset=offset, size=size)

    def _data_size(self, size: int, offset: int, there: int) -> int:
        never_filled = size == UNKNOWN_32 or (size == 0 and self.stated_bytes <= offset)
        if never_filled and there:
            self.notices.append("the header was never filled in; the samples reach to the end")
            return there
        if size > there:
            self.notices.append(
                f"the file is cut off: its header tells of {size} bytes of samples, "
                f"{there} are there"
            )
            return there
        return size

    def _read_ds64(self, chunk: Chunk) -> None:
        payload = read_payload(self.file, chunk)
        if len(payload) < 28:
            return
        (self.wide_sizes[b"data"],) = struct.unpack_from("<Q", payload, 8)
        (entries,) = struct.unpack_from("<I", payload, 24)
        for index in range(min(entries, (len(payload) - 28) // 12)):
            name, size = struct.unpack_from("<4sQ", payload, 28 + 12 * index)
            self.wide_sizes[name] = size

    def _after(self, chunk: Chunk) -> int:
        """Where the next chunk begins; some writers forget the padding."""
        end = chunk.offset + chunk.size
        padded = end + self.framing.padding(chunk.size)
        if padded != end and self.framing.name_bytes == 4 and not self._names_a_chunk(padded):
            return end if self._names_a_chunk(end) else min(padded, self.file_bytes)
        return min(padded, self.file_bytes)

    def _names_a_chunk(self, at: int) -> bool:
        self.file.seek(at)
        name = self.file.read(4)
        return len(name) == 4 and _is_name(name)


def _is_name(raw_name: bytes) -> bool:
    return len(raw_name) == 16 or all(32 <= letter < 127 for letter in raw_name)


def _spelled(name: bytes) -> str:
    return name[:4].decode("ascii", "replace").strip()

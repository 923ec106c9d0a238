"""What a SoundFont 2 file holds, and a bank of some of its presets alone.

A player reads its bank anew for every file that it plays. So it is given one that holds the asked
presets alone, with what they need: every record as it stands, renumbered, and dry. The player's own
chorus and reverb are no part of an instrument, and a chorus moves with the clock. Compressed
samples (sf3: each one an Ogg Vorbis stream) are written plain on the way.

Conventions
-----------
Names of chunks, fields and operators are those of SoundFont 2.04, sections 4 to 8. Spans are bytes
of the file, half open. In an sf3 the start and end of a sample are bytes, and its loop is counted
from its own first frame.
"""

import io
import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
import soundfile

Span = tuple[int, int]
Records = npt.NDArray[Any]

HEAD = np.dtype(
    [("name", "S20"), ("program", "<u2"), ("bank", "<u2"), ("bag", "<u2"), ("_", "V12")]
)
INSTRUMENT = np.dtype([("name", "S20"), ("bag", "<u2")])
BAG = np.dtype([("gen", "<u2"), ("mod", "<u2")])
MODULATOR = np.dtype("V10")
GENERATOR = np.dtype([("operator", "<u2"), ("amount", "<i2")])
SAMPLE = np.dtype(
    [
        ("name", "S20"),
        ("start", "<u4"),
        ("end", "<u4"),
        ("loop", "<u4", 2),
        ("rate", "<u4"),
        ("pitch", "V2"),
        ("link", "<u2"),
        ("kind", "<u2"),
    ]
)
TABLES = {
    b"phdr": HEAD,
    b"pbag": BAG,
    b"pmod": MODULATOR,
    b"pgen": GENERATOR,
    b"inst": INSTRUMENT,
    b"ibag": BAG,
    b"imod": MODULATOR,
    b"igen": GENERATOR,
    b"shdr": SAMPLE,
}
"""The records of a bank, in the order in which they stand."""

INSTRUMENT_OF, SAMPLE_OF = 41, 53
"""Operators that name an instrument and a sample."""

FINE_OFFSETS, COARSE_OFFSETS = (0, 1, 2, 3), (4, 12, 45, 50)
"""Operators that move where a sample starts, ends and loops: by frames, and by `COARSE` of them."""

EFFECTS = (15, 16)
"""Operators that send to the player's own chorus and reverb."""

VERSION_HEAD = b"ifil" + struct.pack("<I", 4)
"""Name and size of the chunk that says of which version of the format a bank is."""

COARSE = 32_768
GUARD = 46
"""Silent frames that follow every sample."""

COMPRESSED = 0x10
"""Flag of a compressed sample."""

MAX_RECORDS = 1_000_000
"""Most records of a kind that presets may need: indexes have 16 bits."""

MAX_SAMPLE_FRAMES = 100_000_000
"""Longest sample that is decompressed: half an hour."""


@dataclass(frozen=True, slots=True, eq=False)
class SoundFont:
    """What stands in a bank, its samples apart, which stay in the file.

    Parameters
    ----------
    path
        The file.
    info, samples
        Where its INFO list and its samples stand.
    tables
        Its records, the last of each only ends the list.
    """

    path: Path
    info: Span
    samples: Span
    tables: dict[bytes, Records] = field(repr=False)

    @classmethod
    def read(cls, path: Path) -> "SoundFont":
        """Return what stands in a bank.

        Raises
        ------
        OSError
            If it cannot be read.
        ValueError, struct.error
            If it is no bank.
        """
        with path.open("rb") as file:
            size = file.seek(0, io.SEEK_END)
            file.seek(0)
            head = file.read(12)
            if head[:4] != b"RIFF" or head[8:] != b"sfbk":
                raise ValueError("no bank")
            lists = dict(_lists(file, size))
            chunks = dict(_chunks(file, *lists[b"pdta"])) if b"pdta" in lists else {}
            sound = dict(_chunks(file, *lists[b"sdta"])) if b"sdta" in lists else {}
            if not chunks.keys() >= TABLES.keys() or b"smpl" not in sound or b"INFO" not in lists:
                raise ValueError("no presets")
            tables = {
                name: np.frombuffer(_bytes(file, chunks[name]), dtype=kind)
                for name, kind in TABLES.items()
            }
        if min(each.size for each in tables.values()) < 1 or tables[b"phdr"].size < 2:
            raise ValueError("no presets")
        return cls(path, lists[b"INFO"], sound[b"smpl"], tables)

    @property
    def presets(self) -> frozenset[tuple[int, int]]:
        """Pairs of bank and program."""
        heads = self.tables[b"phdr"][:-1]
        return frozenset(zip(heads["bank"].tolist(), heads["program"].tolist(), strict=True))

    def only(self, presets: Iterable[tuple[int, int]]) -> bytes:
        """Return a bank that holds some presets alone.

        Raises
        ------
        OSError
            If the file cannot be read.
        ValueError, IndexError
            If it is damaged.
        """
        asked = set(presets)
        pairs = zip(self._column(b"phdr", "bank"), self._column(b"phdr", "program"), strict=True)
        chosen = [index for index, pair in enumerate(pairs) if pair in asked]
        heads, instruments = self._kept(b"phdr", chosen, INSTRUMENT_OF)
        layers, samples = self._kept(b"inst", instruments, SAMPLE_OF)
        with self.path.open("rb") as file:
            info = _of_version_2(_bytes(file, self.info))
            kept, sound = self._sampled(file, samples, _reach(layers[-1]))
        records = (*heads, *layers, kept)
        tables = b"".join(
            _chunk(name, each.tobytes()) for name, each in zip(TABLES, records, strict=True)
        )
        return _chunk(
            b"RIFF",
            b"sfbk"
            + _chunk(b"LIST", b"INFO" + info)
            + _chunk(b"LIST", b"sdta" + _chunk(b"smpl", sound))
            + _chunk(b"LIST", b"pdta" + tables),
        )

    def _column(self, table: bytes, name: str) -> list[int]:
        return list(self.tables[table][:-1][name].tolist())

    def _kept(
        self, table: bytes, chosen: list[int], operator: int
    ) -> tuple[tuple[Records, ...], list[int]]:
        """Return heads, bags, modulators and generators of some heads, and what they name.

        What an operator names is renumbered by the order in which it is returned.
        """
        names = list(TABLES)
        first = names.index(table)
        heads, bags, mods, gens = (self.tables[name] for name in names[first : first + 4])
        spans = [(int(heads["bag"][i]), int(heads["bag"][i + 1])) for i in chosen]
        own_bags = _counted(spans)
        gen_spans = [(int(bags["gen"][i]), int(bags["gen"][i + 1])) for i in own_bags]
        mod_spans = [(int(bags["mod"][i]), int(bags["mod"][i + 1])) for i in own_bags]
        new_heads = heads[[*chosen, heads.size - 1]]
        new_heads["bag"] = _starts(spans)
        new_bags = np.zeros(len(own_bags) + 1, dtype=BAG)
        new_bags["gen"], new_bags["mod"] = _starts(gen_spans), _starts(mod_spans)
        new_gens = gens[[*_counted(gen_spans), gens.size - 1]]
        new_mods = mods[[*_counted(mod_spans), mods.size - 1]]
        new_gens["amount"][np.isin(new_gens["operator"], EFFECTS)] = 0
        names_one = new_gens["operator"][:-1] == operator
        named = new_gens["amount"][:-1][names_one].astype(np.uint16)
        found, places = np.unique(named, return_inverse=True)
        amounts = new_gens["amount"][:-1]
        amounts[names_one] = places.astype(np.int16)
        return (new_heads, new_bags, new_mods, new_gens), found.tolist()

    def _sampled(self, file: BinaryIO, chosen: list[int], reach: int) -> tuple[Records, bytes]:
        """Return the heads of some samples, and their sound."""
        heads = self.tables[b"shdr"]
        kept = heads[[*chosen, heads.size - 1]]
        renumbered = {old: new for new, old in enumerate(chosen)}
        pieces: list[bytes] = []
        at = 0
        for head in kept[:-1]:
            if head["kind"] & COMPRESSED:
                piece, head["start"] = self._decompressed(file, head) + bytes(2 * GUARD), 0
                head["end"] = len(piece) // 2 - GUARD
                head["kind"] &= 0xFFFF ^ COMPRESSED
            else:
                piece = self._plain(file, head, reach)
            for name in ("start", "end", "loop"):
                head[name] += at
            head["link"] = renumbered.get(int(head["link"]), 0)
            pieces.append(piece)
            at += len(piece) // 2
        return kept, b"".join(pieces)

    def _plain(self, file: BinaryIO, head: Records, reach: int) -> bytes:
        """Return the sound of a sample and what lies around it, and count its head from there."""
        start, stop = self.samples
        frames = (stop - start) // 2
        low = max(int(head["start"]) - reach, 0)
        high = min(int(head["end"]) + reach, frames)
        for name in ("start", "end", "loop"):
            head[name] -= min(low, int(np.min(head[name])))
        return _bytes(file, (start + 2 * low, start + 2 * max(high, low))) + bytes(2 * GUARD)

    def _decompressed(self, file: BinaryIO, head: Records) -> bytes:
        start, stop = self.samples
        span = (start + int(head["start"]), min(start + int(head["end"]), stop))
        try:
            with soundfile.SoundFile(io.BytesIO(_bytes(file, span))) as stream:
                if stream.frames > MAX_SAMPLE_FRAMES:
                    raise ValueError("a sample is too long")
                sound = stream.read(dtype="int16", always_2d=True)
        except soundfile.SoundFileError as fault:
            raise ValueError("a sample cannot be decompressed") from fault
        return np.ascontiguousarray(sound[:, 0], dtype="<i2").tobytes()


def _of_version_2(info: bytes) -> bytes:
    """Return an INFO list that says version 2.01: by 3 readers know that samples are compressed."""
    at = info.find(VERSION_HEAD) + len(VERSION_HEAD)
    return (
        info[:at] + struct.pack("<HH", 2, 1) + info[at + 4 :] if at >= len(VERSION_HEAD) else info
    )


def _counted(spans: list[Span]) -> list[int]:
    if sum(max(stop - start, 0) for start, stop in spans) > MAX_RECORDS:
        raise ValueError("records that name each other")
    return [index for start, stop in spans for index in range(start, stop)]


def _starts(spans: list[Span]) -> list[int]:
    """Return where spans begin once they stand one after the other, and where the last ends."""
    return np.cumsum([0, *(max(stop - start, 0) for start, stop in spans)]).tolist()  # type: ignore[no-any-return]


def _reach(generators: Records) -> int:
    """Return how far beyond its own frames the generators may move what is played of a sample."""
    reach = GUARD
    for operators, unit in ((FINE_OFFSETS, 1), (COARSE_OFFSETS, COARSE)):
        moved = generators["amount"][np.isin(generators["operator"], operators)].astype(int)
        reach += unit * int(np.abs(moved).max(initial=0))
    return reach


def _bytes(file: BinaryIO, span: Span) -> bytes:
    start, stop = span
    file.seek(start)
    content = file.read(max(stop - start, 0))
    if len(content) < stop - start:
        raise ValueError("cut")
    return content


def _chunks(file: BinaryIO, start: int, stop: int) -> Iterator[tuple[bytes, Span]]:
    """Yield the chunks of a span: name, and where the content begins and ends.

    Programs that write sf3 leave out the zero that RIFF wants after an odd number of bytes.
    """
    while start + 8 <= stop:
        name, size = struct.unpack("<4sI", _bytes(file, (start, start + 8)))
        end = start + 8 + size
        if end > stop:
            raise ValueError("cut")
        yield name, (start + 8, end)
        is_padded = size % 2 and end < stop and _bytes(file, (end, end + 1)) == b"\0"
        start = end + bool(is_padded)


def _lists(file: BinaryIO, size: int) -> Iterator[tuple[bytes, Span]]:
    """Yield the lists of a bank by their kind."""
    for name, (start, stop) in list(_chunks(file, 12, size)):
        if name == b"LIST":
            yield _bytes(file, (start, start + 4)), (start + 4, stop)


def _chunk(name: bytes, content: bytes) -> bytes:
    return struct.pack("<4sI", name, len(content)) + content + bytes(len(content) % 2)

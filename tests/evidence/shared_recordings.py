"""Which programs of a bank play recordings that another bank has, too.

Banks of samples copy from each other. Figures for `retro.model.orchestra` are taken from programs
none of whose recordings sounds in a bank that landings and onsets are judged in.

A recording is another's when a run of its frames, from its first third or its middle, is found
there note for note. Recordings that were resampled or turned down are not noticed.

Format: SoundFont 2.04, chapters 6 and 7.
"""

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

RUN = 40
"""Frames that are compared: by chance no two recordings have as many in common."""

MIN_LOUDNESS = 20
"""Silence is everywhere: a run counts that reaches this, of 32767."""

INSTRUMENT, SAMPLE = 41, 53
"""Generators that name an instrument, and a recording (8.1.2)."""


@dataclass(frozen=True)
class Recordings:
    """The recordings of a bank, and which of them each (bank, program) plays."""

    frames: tuple[np.ndarray, ...]
    of_preset: dict[tuple[int, int], frozenset[int]]


def shared_programs(bank: Path, others: Iterable[Path]) -> frozenset[int]:
    """Return the programs of a bank's first bank that play a recording of one of the others."""
    known = [other.read_bytes() for other in others]
    own = _read(bank)
    is_shared = [
        any(run in content for run in _some_runs(frames) for content in known)
        for frames in own.frames
    ]
    return frozenset(
        program
        for (number, program), recordings in own.of_preset.items()
        if number == 0 and any(is_shared[each] for each in recordings)
    )


def _some_runs(frames: np.ndarray) -> Iterator[bytes]:
    for at in (frames.size // 4, frames.size // 3, frames.size // 2):
        run = frames[at : at + RUN]
        if run.size == RUN and np.abs(run).max() >= MIN_LOUDNESS:
            yield run.tobytes()


def _read(bank: Path) -> Recordings:
    content = bank.read_bytes()
    spans = {
        name: span
        for kind, (start, stop) in _chunks(content, 12, len(content))
        if kind == b"LIST"
        for name, span in _chunks(content, start + 4, stop)
    }

    def records(name: bytes, layout: str) -> list[tuple]:
        return list(struct.iter_unpack(layout, content[slice(*spans[name])]))

    first, _ = spans[b"smpl"]
    frames = tuple(
        np.frombuffer(content[first + 2 * start : first + 2 * stop], "<i2")
        for start, stop in records(b"shdr", "<20xII18x")[:-1]
    )
    zones = records(b"ibag", "<H2x"), records(b"igen", "<HH")
    heads = [head[0] for head in records(b"inst", "<20xH")]
    of_instrument = [frozenset(_named(SAMPLE, *span, *zones)) for span in pairwise(heads)]
    zones = records(b"pbag", "<H2x"), records(b"pgen", "<HH")
    presets = records(b"phdr", "<20xHHH12x")
    return Recordings(
        frames,
        {
            (number, program): frozenset().union(
                *(of_instrument[i] for i in _named(INSTRUMENT, zone, following[2], *zones))
            )
            for (program, number, zone), following in pairwise(presets)
        },
    )


def _named(
    what: int, first: int, last: int, bags: list[tuple], generators: list[tuple]
) -> Iterator[int]:
    """Yield what the zones of a span name."""
    for zone in range(first, last):
        for kind, amount in generators[bags[zone][0] : bags[zone + 1][0]]:
            if kind == what:
                yield amount


def _chunks(content: bytes, start: int, stop: int) -> Iterator[tuple[bytes, tuple[int, int]]]:
    while start + 8 <= stop:
        size = struct.unpack_from("<I", content, start + 4)[0]
        yield content[start : start + 4], (start + 8, start + 8 + size)
        start += 8 + size + size % 2

"""Makes the table of docs/evidence.md on landings and onsets in a bank of samples.

    python -m tests.evidence.sampled_landings [--bank FILE] [PIECE ...]

Every note of `played.mid`, and of the plain mirror, is rendered alone by fluidsynth, in a room that
the plan has been told of. Figures are the defaults; nothing measured in a bank is fed back.

Rooms are as far away as the default one: in a diffuse field the reverberant energy goes with the
reverberation time, so their direct-to-reverberant ratio follows from the default room's.
"""

import argparse
import math
import sys
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import music21

from retro.model.performance import Performance
from retro.model.settings import ORCHESTRAL_STUDIO, Compensate, Settings
from retro.model.sound import Room
from retro.placement.compare import compensated
from retro.plan.compose import plan_file
from retro.read.settings import beside, load_settings
from tests.evidence.sampled_notes import (
    FLUID_R3,
    Errors,
    Sampler,
    errors_of,
    keys_of,
    mean_ms,
)

EXAMPLES = Path(__file__).parents[2] / "examples"
MUSIC21_OMR = Path(music21.__file__).parent / "omr"
PIECES: dict[str, tuple[Path, str | None]] = {
    "example": (EXAMPLES / "harbour_pageant.mid", None),
    "horn chorale": (EXAMPLES / "studies" / "horn_chorale.mid", None),
    "tutti": (EXAMPLES / "studies" / "tutti.mid", None),
    "k525short (music21)": (MUSIC21_OMR / "k525short.mid", None),
    "k525MIDIMvt1, bars 1-8 (music21)": (MUSIC21_OMR / "k525MIDIMvt1.mid", "1-8"),
}

HEAD = (
    "| piece | room | landing | nudged | mirror's landing | nudged | struck | onset "
    "| mirror's onset | of notes | not judged |\n"
    "|---|---|---|---|---|---|---|---|---|---|---|\n"
)

TOLD_DRY = Room(0.01, 60.0)
"""What a plan is told that shall reckon with no room."""


def _as_far_away(reverberation_s: float) -> Room:
    ratio = ORCHESTRAL_STUDIO.reverberation_s / reverberation_s
    direct_db = ORCHESTRAL_STUDIO.direct_to_reverberant_db + 10.0 * math.log10(ratio)
    return Room(reverberation_s, direct_db)


ROOMS: dict[str, Room | None] = {
    "dry": None,
    "0.5 s": _as_far_away(0.5),
    "1.4 s": _as_far_away(1.4),
}


@dataclass(frozen=True)
class Cell:
    """Errors in one room: of what is played, and of the plain mirror."""

    piece: str
    room: str
    played: Errors
    mirror: Errors


def performance_of(piece: str) -> Performance:
    """Return a piece as planned with default settings, or those beside the file."""
    path, bars = PIECES[piece]
    settings = load_settings(beside(path), {}) if bars is None else replace(Settings(), bars=bars)
    return plan_file(path, settings).performance


def cells(piece: str, sampler: Sampler, rooms: Iterable[str] = ROOMS) -> Iterator[Cell]:
    """Listen to a piece in some rooms."""
    planned = performance_of(piece)
    for name in rooms:
        room = ROOMS[name]
        settings = replace(planned.settings, room=room or TOLD_DRY)
        told = replace(planned, settings=settings)
        played, mirror = (compensated(told, what) for what in (Compensate.BOTH, Compensate.NONE))
        sampler.listen([*keys_of(played), *keys_of(mirror)], [room])
        yield Cell(
            piece,
            name,
            errors_of(played, played, sampler, room),
            errors_of(mirror, played, sampler, room),
        )


def onsets_of(cell: Cell) -> tuple[list[float], list[float]]:
    """Return the onset errors of the notes that have an onset as played and in the plain mirror."""
    pairs = zip(cell.played.onset_ms, cell.mirror.onset_ms, strict=True)
    judged = [pair for pair in pairs if not any(math.isnan(error) for error in pair)]
    return [played for played, _ in judged], [mirror for _, mirror in judged]


def row_of(cell: Cell) -> str:
    """Return a row of the table."""
    played, mirror = cell.played, cell.mirror
    onsets, mirror_onsets = onsets_of(cell)
    values = (
        mean_ms(played.sustained_ms),
        mean_ms(played.sustained_ms, nudged=True),
        mean_ms(mirror.sustained_ms),
        mean_ms(mirror.sustained_ms, nudged=True),
        mean_ms(played.struck_ms),
        mean_ms(onsets),
        mean_ms(mirror_onsets),
        len(onsets),
        len(played.onset_ms) - len(onsets),
    )
    figures = ("-" if math.isnan(value) else f"{value:.0f}" for value in values)
    return f"| {cell.piece} | {cell.room} | {' | '.join(figures)} |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bank", type=Path, default=FLUID_R3)
    parser.add_argument("pieces", nargs="*", metavar="PIECE", default=list(PIECES))
    arguments = parser.parse_args()
    sys.stdout.write(HEAD)
    with tempfile.TemporaryDirectory() as folder:
        sampler = Sampler(Path(folder), arguments.bank)
        for piece in arguments.pieces:
            for cell in cells(piece, sampler):
                sys.stdout.write(row_of(cell) + "\n")
                sys.stdout.flush()


if __name__ == "__main__":
    main()

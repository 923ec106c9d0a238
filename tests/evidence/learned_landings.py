"""Landings in two banks with figures learned of them, beside the defaults and the plain mirror.

    python -m tests.evidence.learned_landings [--draws N]

Renews ``learned.json``, which docs/ablation.md prints. With `--draws` it prints instead what the
room's noise does to the rows in a room: landings with learned figures in so many other draws of it,
and where every note lands in the middle of them, which no plan betters that does not know the draw.
 What is learned comes through the player of
`retro.sounds`; what is judged is played by fluidsynth, note by note, as in
`tests.evidence.sampled_landings`. TimGM6mb was used for nothing else than these rows and those.
"""

import argparse
import json
import sys
import tempfile
from collections import defaultdict
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np

from retro.model.instruments import Sound
from retro.model.performance import Performance
from retro.model.settings import Compensate
from retro.model.sound import Room
from retro.placement.compare import compensated
from retro.plan.compose import plan_file
from retro.read.settings import load_settings
from retro.reversal.compensate import perform
from retro.sounds.probing import figures_in_its_bank
from tests.evidence.sampled_landings import EXAMPLES, PIECES, ROOMS, TOLD_DRY, performance_of
from tests.evidence.sampled_notes import (
    BATCH,
    FLUID_R3,
    TIM_GM,
    Key,
    Sampler,
    edges_at,
    errors_of,
    heard_in,
    keys_of,
    mean_ms,
)

FILE = Path(__file__).parent / "learned.json"
STUDIES = tuple(path.stem for path in sorted((EXAMPLES / "studies").glob("*.mid")))
BANKS = (FLUID_R3, TIM_GM)
LISTENED = ("dry", "1.4 s")
"""Rooms of the rows: none, as a sampler gives it, and nearly the default one."""

FIRST_DRAW = 100
"""Seed of the first draw of a room's noise that no row is heard in."""


Row = dict[str, str | float | int | None]


def piece_names() -> list[str]:
    """Return the example, the studies and the pieces from elsewhere."""
    known = [name for name in PIECES if name.replace(" ", "_") not in STUDIES]
    return [*known[:1], *(name.replace("_", " ") for name in STUDIES), *known[1:]]


def planned(piece: str) -> Performance:
    """Return a piece as it is planned with default figures."""
    if piece in PIECES:
        return performance_of(piece)
    path = EXAMPLES / "studies" / f"{piece.replace(' ', '_')}.mid"
    beside = path.with_suffix(".toml")
    return plan_file(path, load_settings(beside if beside.is_file() else None, {})).performance


def row_of(piece: str, bank: Path, sampler: Sampler, name: str) -> Row:
    """Return mean absolute landing errors of a piece in a room."""
    told, learned, room = _played(piece, bank, name)
    heard = {
        "mirror": compensated(told, Compensate.NONE),
        "defaults": told,
        "learned": learned,
    }
    sampler.listen([key for each in heard.values() for key in keys_of(each)], [room])
    row: Row = {"piece": piece, "room": name, "bank": bank.stem}
    for what, performance in heard.items():
        errors = errors_of(performance, told, sampler, room)
        row[f"{what} sustained"] = _rounded(mean_ms(errors.sustained_ms))
        row[f"{what} struck"] = _rounded(mean_ms(errors.struck_ms))
        row["sustained"], row["struck"] = len(errors.sustained_ms), len(errors.struck_ms)
    return row


def _played(piece: str, bank: Path, name: str) -> tuple[Performance, Performance, Room]:
    """Return a piece with default figures, with those of a bank, and the room of both."""
    plan, room = planned(piece), ROOMS[name] or TOLD_DRY
    settings = replace(plan.settings, room=room, compensate=Compensate.BOTH, soundfont=str(bank))
    known = plan.target, plan.players, settings
    return perform(*known), perform(*known, sampler=figures_in_its_bank(*known)), room


def _rounded(value_ms: float) -> float | None:
    return None if value_ms != value_ms else round(value_ms, 1)


def draws_of(piece: str, bank: Path, sampler: Sampler, name: str, draws: int) -> str:
    """Return what is heard of sustained notes in draws of a room that no row is heard in."""
    told, learned, room = _played(piece, bank, name)
    keys = keys_of(learned)
    begins_s: dict[Key, list[float]] = defaultdict(list)
    distinct = list(dict.fromkeys(keys))
    for first in range(0, len(distinct), BATCH):
        some = distinct[first : first + BATCH]
        starts, sound = sampler.play(some)
        for seed in range(FIRST_DRAW, FIRST_DRAW + draws):
            heard = heard_in(sound, room, seed)
            for key, start_s in zip(some, starts, strict=True):
                begins_s[key].append(edges_at(heard, key, start_s).begins_s)
    errors_ms = np.array(
        [
            1000.0
            * (
                float(told.target.length_s)
                - note.played_on_s
                - np.array(begins_s[key])
                - (plan.target_on_s if player.lands_at_start else plan.target_off_s)
            )
            for key, note, plan in zip(keys, learned.notes, told.notes, strict=True)
            for player in (told.players[plan.part],)
            if plan.lands_s is not None and player.instrument.sound is Sound.SUSTAINED
        ]
    )
    means_ms = np.abs(errors_ms).mean(axis=0)
    least_ms = np.abs(errors_ms - np.median(errors_ms, axis=1, keepdims=True)).mean()
    return (
        f"{piece} | {bank.stem} | {means_ms.mean():.1f} ({means_ms.min():.1f} to "
        f"{means_ms.max():.1f}) | {least_ms:.1f}"
    )


def main() -> None:
    """Renew the file, or print what the noise of a room does."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=0, metavar="N")
    parser.add_argument("pieces", nargs="*", metavar="PIECE", help="with --draws")
    arguments = parser.parse_args()
    if not arguments.draws:
        _renew()
        return
    for piece, bank in product(arguments.pieces or piece_names(), BANKS):
        with tempfile.TemporaryDirectory() as folder:
            sampler = Sampler(Path(folder), bank)
            found = draws_of(piece, bank, sampler, LISTENED[1], arguments.draws)
            sys.stdout.write(f"{found}\n")
            sys.stdout.flush()


def _renew() -> None:
    found = []
    for piece, room, bank in product(piece_names(), LISTENED, BANKS):
        with tempfile.TemporaryDirectory() as folder:
            found.append(row_of(piece, bank, Sampler(Path(folder), bank), room))
            sys.stdout.write(f"{found[-1]}\n")
            sys.stdout.flush()
            FILE.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

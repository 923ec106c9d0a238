"""Landings in two banks with figures learned of them, beside the defaults and the plain mirror.

    python -m tests.evidence.learned_landings

Renews ``learned.json``, which docs/ablation.md prints. What is learned comes through the player of
`retro.sounds`; what is judged is played by fluidsynth, note by note, as in
`tests.evidence.sampled_landings`. TimGM6mb was used for nothing else than these rows and those.
"""

import json
import sys
import tempfile
from dataclasses import replace
from itertools import product
from pathlib import Path

from retro.model.performance import Performance
from retro.model.settings import Compensate
from retro.placement.compare import compensated
from retro.plan.compose import plan_file
from retro.read.settings import load_settings
from retro.reversal.compensate import perform
from retro.sounds.probing import figures_in_its_bank
from tests.evidence.sampled_landings import EXAMPLES, PIECES, ROOMS, TOLD_DRY, performance_of
from tests.evidence.sampled_notes import FLUID_R3, TIM_GM, Sampler, errors_of, keys_of, mean_ms

FILE = Path(__file__).parent / "learned.json"
STUDIES = tuple(path.stem for path in sorted((EXAMPLES / "studies").glob("*.mid")))
BANKS = (FLUID_R3, TIM_GM)
LISTENED = ("dry", "1.4 s")
"""Rooms of the rows: none, as a sampler gives it, and nearly the default one."""


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
    plan, room = planned(piece), ROOMS[name] or TOLD_DRY
    settings = replace(plan.settings, room=room, compensate=Compensate.BOTH, soundfont=str(bank))
    known = plan.target, plan.players, settings
    told = perform(*known)
    heard = {
        "mirror": compensated(told, Compensate.NONE),
        "defaults": told,
        "learned": perform(*known, sampler=figures_in_its_bank(*known)),
    }
    sampler.listen([key for each in heard.values() for key in keys_of(each)], [room])
    row: Row = {"piece": piece, "room": name, "bank": bank.stem}
    for what, performance in heard.items():
        errors = errors_of(performance, told, sampler, room)
        row[f"{what} sustained"] = _rounded(mean_ms(errors.sustained_ms))
        row[f"{what} struck"] = _rounded(mean_ms(errors.struck_ms))
        row["sustained"], row["struck"] = len(errors.sustained_ms), len(errors.struck_ms)
    return row


def _rounded(value_ms: float) -> float | None:
    return None if value_ms != value_ms else round(value_ms, 1)


def main() -> None:
    """Renew the file."""
    found = []
    for piece, room, bank in product(piece_names(), LISTENED, BANKS):
        with tempfile.TemporaryDirectory() as folder:
            found.append(row_of(piece, bank, Sampler(Path(folder), bank), room))
            sys.stdout.write(f"{found[-1]}\n")
            sys.stdout.flush()
            FILE.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

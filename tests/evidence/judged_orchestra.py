"""What `retro day judge` hears of a made orchestra, over many takes: figures for docs/evidence.md.

    python -m tests.evidence.judged_orchestra [--seeds 4] [--first 0] [--bank BANK.sf2]
        [--fault early] [LETTER ...]

For every seed and insert of `tests.evidence.made_recording_day`: three good takes, and takes in
which one section is 15 or 5 cents off, one long note a semitone wrong, or everyone lets go early.
All are judged together, as a day's takes are.
"""

import argparse
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile

from retro.day.compose import compose_day
from retro.day.hear_take import section_parts
from retro.day.judge import MIN_CENTS, judge
from retro.day.judged_document import JudgedTake
from retro.day.takes_document import MicrophoneFile, TakeDocument, TakesDocument
from retro.errors import SettingsError
from tests.evidence.made_ensembles import FLUID_R3, RATE, Piece
from tests.evidence.made_faults import long_notes, tuned, with_release_earlier
from tests.evidence.made_orchestra import (
    MICROPHONES,
    NOISE_DBFS,
    Spot,
    Tone,
    played,
    section_lateness_ms,
    with_desks,
)
from tests.evidence.made_recording_day import MadeDay, made_day, music

GOOD_TAKES = 3
CENTS = (15.0, -15.0, 5.0, -5.0)
EARLY_S = (0.05, 0.08, 0.1, 0.15, 0.2, 0.25, 0.3)
STRINGS = frozenset(["Violins", "Cellos"])


@dataclass(frozen=True)
class Planned:
    """One take: what is wrong with it, in which section, and by how much."""

    fault: str = ""
    spot: Spot | None = None
    amount: float = 0.0
    note: int | None = None


@dataclass
class Figures:
    """Everything that was compared, by what it is."""

    lateness: dict[str, list[tuple[float, float]]] = field(
        default_factory=lambda: defaultdict(list)
    )
    unheard: int = 0
    cents: dict[float, list[float | None]] = field(default_factory=lambda: defaultdict(list))
    wrong: list[bool] = field(default_factory=list)
    false_notes: int = 0
    right_notes: int = 0
    early: dict[float, list[float | None]] = field(default_factory=lambda: defaultdict(list))
    noises: int = 0
    takes: int = 0


def sections_of(piece: Piece) -> dict[Spot, tuple[int, ...]]:
    """Return the close microphones whose section plays in an insert, and its parts."""
    found = {}
    for spot in MICROPHONES:
        if spot.section is not None:
            try:
                found[spot] = section_parts(spot.section, piece.plan)
            except SettingsError:
                continue
    return found


def planned(piece: Piece, chance: np.random.Generator) -> Iterator[Planned]:
    """Yield the takes of one seed."""
    for _ in range(GOOD_TAKES):
        yield Planned()
    sections = list(sections_of(piece).items())
    for cents in CENTS:
        spot, _ = sections[chance.integers(len(sections))]
        yield Planned("cents", spot, cents)
    for semitones in (1, -1):
        spot, parts = sections[chance.integers(len(sections))]
        notes = long_notes(piece, parts)
        if notes:
            yield Planned("wrong", spot, 100.0 * semitones, notes[chance.integers(len(notes))])
    for early_s in EARLY_S:
        yield Planned("early", None, early_s)


def with_fault(piece: Piece, one: Planned) -> Piece:
    """Return what is played."""
    if one.fault == "cents":
        parts = sections_of(piece)[one.spot]
        notes = {i for i, note in enumerate(piece.plan.notes) if note.part in parts}
        return tuned(piece, one.amount, notes)
    if one.fault == "wrong":
        return tuned(piece, one.amount, {one.note})
    if one.fault == "early":
        return with_release_earlier(piece, one.amount)
    return piece


def write_take(
    folder: Path, letter: str, number: int, piece: Piece, tones: Sequence[Tone]
) -> TakeDocument:
    """Write a take in all microphones; its phrase starts after 1 s."""
    files = []
    for index, spot in enumerate(MICROPHONES):
        heard = music(spot, tones, piece)
        chance = np.random.default_rng(1000 * number + index)
        heard += chance.standard_normal(len(heard)) * 10.0 ** (NOISE_DBFS / 20.0)
        path = folder / f"{letter}{number}-{spot.name}.wav"
        soundfile.write(path, heard, RATE, subtype="PCM_24")
        files.append(MicrophoneFile(microphone=spot.name, path=path.name))
    return TakeDocument(
        letter=letter,
        number=number,
        files=tuple(files),
        phrase_start_frame=RATE,
        starts_together=True,
    )


def add(
    figures: Figures, day: MadeDay, letter: str, seed: int, folder: Path, only: str | None = None
) -> None:
    """Make the takes of one insert and seed, judge them, and compare with what is known."""
    piece = day.pieces[letter]
    chance = np.random.default_rng(1000 * seed + ord(letter))
    takes, known = [], {}
    for number, one in enumerate(planned(piece, chance), start=1):
        if only and one.fault not in ("", only):
            continue
        own = with_fault(piece, one)
        desks = day.desks[letter] if own is piece else with_desks(own)
        tones = played(own, desks, 100 * seed + number)
        takes.append(write_take(folder, letter, number, own, tones))
        known[number] = (one, tones)
    document = judge(compose_day(day.day_toml), TakesDocument(takes=tuple(takes)), base=folder)
    for judged in document.takes:
        one, tones = known[judged.number]
        compare(figures, piece, judged, one, tones)
    for path in folder.glob(f"{letter}*.wav"):
        path.unlink()


def compare(
    figures: Figures, piece: Piece, judged: JudgedTake, one: Planned, tones: Sequence[Tone]
) -> None:
    """Compare what is said of a take with what is known."""
    sections = {spot.name: (spot, parts) for spot, parts in sections_of(piece).items()}
    figures.takes += 1
    figures.noises += len(judged.noises)
    if one.fault in {"", "early"}:
        figures.early[one.amount].append(judged.early_s)
    is_found = False
    for section in judged.sections:
        spot, parts = sections[section.microphone]
        if not one.fault:
            if section.lateness_ms is None or section.lateness_uncertainty_ms is None:
                figures.unheard += 1
            else:
                truth_ms = section_lateness_ms(piece, tones, spot, parts)
                figures.lateness[spot.name].append(
                    (section.lateness_ms - truth_ms, section.lateness_uncertainty_ms)
                )
        off = one.amount if one.fault == "cents" and one.spot == spot else 0.0
        figures.cents[off].append(section.cents)
        false = [note for note in section.doubtful if note.note != one.note]
        is_found |= len(false) < len(section.doubtful)
        if off == 0.0:
            figures.false_notes += len(false)
            figures.right_notes += len(long_notes(piece, parts, 0.8))
    if one.fault == "wrong":
        figures.wrong.append(is_found)


def lines(figures: Figures) -> Iterator[str]:
    """Yield what was found, as rows of a table."""
    winds = [e for name, own in figures.lateness.items() if name not in STRINGS for e in own]
    strings = [e for name, own in figures.lateness.items() if name in STRINGS for e in own]
    groups = {**figures.lateness, "winds and brass": winds, "strings": strings}
    for name, own in groups.items():
        errors, bounds = np.abs(np.array(own)[:, 0]), np.array(own)[:, 1]
        limit = 25.0 if name in STRINGS or name == "strings" else 15.0
        yield (
            f"| lateness, {name} | {len(own)} | median {np.median(errors):.0f} ms, at most "
            f"{errors.max():.0f}; {np.mean(errors <= limit):.0%} within {limit:.0f} ms; "
            f"{np.mean(errors <= bounds):.0%} within the bounds, {np.median(bounds):.0f} ms |"
        )
    yield f"| lateness of a section, not said | {figures.unheard} | |"
    for off in sorted(figures.cents):
        known = np.array([one for one in figures.cents[off] if one is not None])
        told = np.abs(known) >= MIN_CENTS
        near = np.abs(known - off) <= 3.0
        yield (
            f"| tuning, a section {off:+g} cents off | {len(figures.cents[off])} | "
            f"{len(known)} read, {near.mean():.0%} within 3 cents, {told.sum()} told, "
            f"{np.abs(known - off).max():.1f} off at most |"
        )
    yield f"| a wrong semitone of 1 s or more | {len(figures.wrong)} | {sum(figures.wrong)} found |"
    yield f"| right notes of 0.8 s or more | {figures.right_notes} | {figures.false_notes} marked |"
    for early_s, said in sorted(figures.early.items()):
        told_s = [one for one in said if one is not None]
        yield f"| release {early_s:g} s early | {len(said)} | {len(told_s)} told |"
    yield f"| tails without a noise | {figures.takes} | {figures.noises} noises told |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--bank", type=Path, default=FLUID_R3)
    parser.add_argument("--fault", choices=("cents", "wrong", "early"), help="only takes with this")
    parser.add_argument("letters", nargs="*", metavar="LETTER", default=list("ABCD"))
    arguments = parser.parse_args()
    figures = Figures()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        day = made_day(folder, bank=arguments.bank)
        for seed in range(arguments.first, arguments.first + arguments.seeds):
            for letter in arguments.letters:
                add(figures, day, letter, seed, folder, arguments.fault)
    sys.stdout.write("| what | tried | found |\n|---|---|---|\n" + "\n".join(lines(figures)) + "\n")


if __name__ == "__main__":
    main()

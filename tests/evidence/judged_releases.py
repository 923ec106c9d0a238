"""Which releases of some players `retro day judge` tells, for docs/evidence.md.

    python -m tests.evidence.judged_releases [--seeds 2] [--first 0] [--bank BANK.sf2] [LETTER ...]

For every seed and insert of `tests.evidence.made_recording_day`: four good takes, and takes
in which the players of one to three seats let go early, or all do. Each is judged with three good
ones.

An early release is in a microphone if that hears at most half of the energy that it would hear,
were the same take played on time, in the last `MISSING_S` before the written release. It is in two
microphones, in part, or less, by the second of them. That is known by how the take is made;
nothing of what is judged goes into it.
"""

import argparse
import itertools
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from retro.day.compose import compose_day
from retro.day.judge import judge
from retro.day.takes_document import TakesDocument
from tests.evidence.judged_orchestra import write_take
from tests.evidence.made_ensembles import FLUID_R3, RATE, Piece
from tests.evidence.made_faults import TOGETHER_S, with_release_earlier
from tests.evidence.made_orchestra import (
    COMMON_MS,
    MICROPHONES,
    REVERBERATION_S,
    Tone,
    heard_at,
    played,
    seat_of,
    with_desks,
)
from tests.evidence.made_recording_day import MadeDay, made_day

GOOD_TAKES, SOME_TAKES = 4, 6
EARLY_S = (0.08, 0.1, 0.25)
MISSING_S = 0.19
"""A release that is 0.25 s early has faded out by then."""

HALF_DB, PART_DB = -3.01, -1.25
"""Half of the energy is missing, or a quarter."""

Told = dict[tuple[str, float], list[bool]]


def last_notes(piece: Piece) -> dict[str, set[int]]:
    """Return for each seat the notes that end with the insert."""
    seconds_at = piece.plan.insert_tempo.seconds_at
    offs = [float(seconds_at(note.written_off_beats)) for note in piece.plan.notes]
    found = defaultdict(set)
    for index, note in enumerate(piece.plan.notes):
        if offs[index] > max(offs) - TOGETHER_S:
            found[seat_of(piece.plan.parts[note.part].instrument)].add(index)
    return dict(found)


def missing_db(piece: Piece, notes: set[int], on_time: Sequence[Tone], early: Sequence[Tone]):
    """Return by how much less energy each microphone hears before the release, the most first."""
    seconds_at = piece.plan.insert_tempo.seconds_at
    end_s = min(float(seconds_at(piece.plan.notes[index].written_off_beats)) for index in notes)
    end = round((end_s + COMMON_MS / 1000.0) * RATE)
    first = end - round(2.0 * REVERBERATION_S * RATE)
    span = slice(-round(MISSING_S * RATE), None)
    energies = [
        [np.sum(heard_at(spot, tones, first, end - first)[span] ** 2) for spot in MICROPHONES]
        for tones in (early, on_time)
    ]
    return sorted(10.0 * np.log10(np.divide(*energies)))


def early_takes(
    day: MadeDay, letter: str, seed: int
) -> Iterator[tuple[str, float, Piece, list[Tone]]]:
    """Yield who lets go early and in how many microphones, by how much, and what is played."""
    piece, last = day.pieces[letter], last_notes(day.pieces[letter])
    chance = np.random.default_rng(1000 * seed + ord(letter))
    some = [seats for many in (1, 2, 3) for seats in itertools.combinations(sorted(last), many)]
    some = [seats for seats in some if len(seats) < len(last)]
    drawn = [some[index] for index in chance.permutation(len(some))[:SOME_TAKES]]
    number = 100 * seed + GOOD_TAKES + 1
    on_time = played(piece, day.desks[letter], number)
    for seats in [tuple(last), *drawn]:
        notes = set().union(*(last[seat] for seat in seats))
        for early_s in EARLY_S:
            own = with_release_earlier(piece, early_s, notes)
            tones = played(own, with_desks(own), number)
            who = "all"
            if len(seats) < len(last):
                second_db = missing_db(piece, notes, on_time, tones)[1]
                where = "two" if second_db <= HALF_DB else "part"
                where = "less" if second_db > PART_DB else where
                who = f"some, {where}" if early_s == max(EARLY_S) else "some"
            yield who, early_s, own, tones


def add(told: Told, day: MadeDay, letter: str, seed: int, folder: Path) -> None:
    """Make the takes of one insert and seed, and judge each with three good ones."""
    composed, piece = compose_day(day.day_toml), day.pieces[letter]
    good = []
    for number in range(1, GOOD_TAKES + 1):
        tones = played(piece, day.desks[letter], 100 * seed + number)
        good.append(write_take(folder, letter, number, piece, tones))
    document = judge(composed, TakesDocument(takes=tuple(good)), base=folder)
    told["nobody", 0.0] += [one.early_s is not None for one in document.takes]
    for who, early_s, own, tones in early_takes(day, letter, seed):
        take = write_take(folder, letter, GOOD_TAKES + 1, own, tones)
        takes = TakesDocument(takes=(*good[1:], take))
        document = judge(composed, takes, base=folder)
        (judged,) = (one for one in document.takes if one.number == take.number)
        told[who, early_s].append(judged.early_s is not None)
    for path in folder.glob(f"{letter}*.wav"):
        path.unlink()


def lines(told: Told) -> Iterator[str]:
    """Yield what was found, as rows of a table."""
    for (who, early_s), each in sorted(told.items()):
        yield f"| {who} | {early_s:g} s | {len(each)} | {sum(each)} |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--bank", type=Path, default=FLUID_R3)
    parser.add_argument("letters", nargs="*", metavar="LETTER", default=list("ABCD"))
    arguments = parser.parse_args()
    told: Told = defaultdict(list)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        day = made_day(folder, bank=arguments.bank, letters=arguments.letters)
        for seed in range(arguments.first, arguments.first + arguments.seeds):
            for letter in arguments.letters:
                add(told, day, letter, seed, folder)
                sys.stderr.write(f"{letter} {seed}\n")
    head = "| who lets go, in how many microphones | early | tried | told |\n|---|---|---|---|\n"
    sys.stdout.write(head + "\n".join(lines(told)) + "\n")


if __name__ == "__main__":
    main()

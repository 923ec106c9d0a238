"""Which noises `retro day judge` tells while people play, for docs/evidence.md.

    python -m tests.evidence.judged_noises [--seeds 2] [--bank BANK.sf2] [LETTER ...]

For every seed and insert of `tests.evidence.made_recording_day`: four takes that differ as people
do, one of them with a wrong semitone. They are judged as they are, and again with a noise in each,
by its level against that of the whole phrase in the main microphone. Then all notes about the
middle of a single take are left out, and noises are put into that rest.
"""

import argparse
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import soundfile

from retro.day.compose import Day, compose_day
from retro.day.judge import judge
from retro.day.judged_document import JudgedTake
from retro.day.takes_document import MicrophoneFile, TakeDocument, TakesDocument
from retro.measuring.listen import hear_take
from retro.measuring.played_noise import rest_noises
from tests.evidence.made_ensembles import FLUID_R3, RATE, Piece
from tests.evidence.made_faults import long_notes, tuned
from tests.evidence.made_noises import NOISES, STROKES, played_by_people
from tests.evidence.made_orchestra import MICROPHONES, NOISE_DBFS, SEATS, Tone, heard_at
from tests.evidence.made_recording_day import FULL, made_day

TAKES = 4
LEVELS_DB = (-20.0, -10.0, 0.0, 6.0)
REST_LEVELS_DB = (-40.0, -30.0, -20.0, -10.0)
REST_S, INTO_REST_S = 3.0, (0.5, 2.2)
"""How long a rest is made, and where a noise begins in it."""

NEAR_S, RINGING_S = 0.1, 1.0
Heard = dict[str, np.ndarray]
"""What the microphones hear of a take from 1 s before its phrase start on."""


@dataclass(frozen=True)
class Put:
    """A noise: what, its seat, from when to when on insert time, how loud."""

    kind: str
    seat: str
    at_s: float
    end_s: float
    over_phrase_db: float


@dataclass
class Figures:
    """What was told; each by kind and level."""

    told: dict[tuple[str, float], list[bool]] = field(default_factory=lambda: defaultdict(list))
    near: dict[tuple[str, float], list[bool]] = field(default_factory=lambda: defaultdict(list))
    in_rest: dict[tuple[str, float], list[bool]] = field(default_factory=lambda: defaultdict(list))
    takes: int = 0
    false_takes: int = 0
    elsewhere: int = 0
    flags: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    rests: int = 0
    false_rests: int = 0


def heard_by_all(tones: Sequence[Tone], piece: Piece) -> Heard:
    """Return a take in all microphones, each at its gain."""
    plan = piece.plan
    length = round((1.2 + float(plan.length_s + plan.placement.roll_s)) * RATE)
    return {spot.name: heard_at(spot, tones, -RATE, length) for spot in MICROPHONES}


def with_noise(heard: Heard, phrase: float, one: Put, chance: np.random.Generator) -> Heard:
    """Return a take with a noise; `phrase` is the level of the phrase in the main microphone."""
    sound = NOISES[one.kind](chance)
    length = len(next(iter(heard.values())))
    tone = Tone(0, one.seat, round((1.0 + one.at_s) * RATE), sound)
    alone = {spot.name: heard_at(spot, [tone], 0, length) for spot in MICROPHONES}
    own = alone[MICROPHONES[0].name][tone.first : tone.first + len(sound)]
    gain = phrase / np.sqrt(np.mean(own**2)) * 10.0 ** (one.over_phrase_db / 20.0)
    return {name: heard[name] + gain * alone[name] for name in heard}


def phrase_level(heard: Heard, piece: Piece) -> float:
    """Return the level of the whole phrase in the main microphone."""
    main = heard[MICROPHONES[0].name][RATE : round((1.0 + float(piece.plan.length_s)) * RATE)]
    return float(np.sqrt(np.mean(main**2)))


def write_take(
    folder: Path, letter: str, number: int, heard: Heard, gains: dict[str, float], seed: int
) -> TakeDocument:
    """Write a take in all microphones."""
    files = []
    for index, (name, sound) in enumerate(heard.items()):
        floor = np.random.default_rng(1000 * seed + 10 * number + index).standard_normal(len(sound))
        path = folder / f"{letter}{number}-{name}.wav"
        whole = np.clip(gains[name] * sound + floor * 10.0 ** (NOISE_DBFS / 20.0), -1.0, 1.0)
        soundfile.write(path, whole, RATE, subtype="PCM_24")
        files.append(MicrophoneFile(microphone=name, path=path.name))
    return TakeDocument(
        letter=letter,
        number=number,
        files=tuple(files),
        phrase_start_frame=RATE,
        starts_together=True,
    )


@dataclass(frozen=True)
class MadeSet:
    """Takes of one insert: the day, what plays, and what is heard of each."""

    day: Day
    letter: str
    piece: Piece
    heard: list[Heard]
    seed: int

    def judged(self, folder: Path, heard: Sequence[Heard]) -> dict[int, JudgedTake]:
        """Return what is said of takes, by number from 1."""
        documents = []
        for number, (one, clean) in enumerate(zip(heard, self.heard, strict=True), start=1):
            gains = {name: FULL / np.abs(sound).max() for name, sound in clean.items()}
            documents.append(write_take(folder, self.letter, number, one, gains, self.seed))
        said = judge(self.day, TakesDocument(takes=tuple(documents)), base=folder)
        return {take.number: take for take in said.takes}


def add(figures: Figures, made: MadeSet, folder: Path) -> None:
    """Judge takes as they are, and with a noise in each at every level."""
    chance = np.random.default_rng(made.seed)
    for take in made.judged(folder, made.heard).values():
        figures.takes += 1
        figures.false_takes += bool(take.played_noises)
        figures.flags["without noises"] += sum(len(each.doubtful) for each in take.sections)
    for level_db in LEVELS_DB:
        put = [_put(made.piece, level_db, chance) for _ in made.heard]
        heard = [
            with_noise(one, phrase_level(one, made.piece), noise, chance)
            for one, noise in zip(made.heard, put, strict=True)
        ]
        for number, take in made.judged(folder, heard).items():
            compare(figures, take, put[number - 1])


def _put(piece: Piece, level_db: float, chance: np.random.Generator) -> Put:
    kind = list(NOISES)[chance.integers(len(NOISES))]
    at_s = chance.uniform(0.1, float(piece.plan.placement.last_release_s) - 0.5)
    length_s = len(NOISES[kind](np.random.default_rng(0))) / RATE
    seat = sorted(SEATS)[chance.integers(len(SEATS))]
    return Put(kind, seat, at_s, at_s + length_s, level_db)


def compare(figures: Figures, take: JudgedTake, put: Put) -> None:
    """Compare what is said of a take with the noise in it."""
    at_s = [noise.at_frame / RATE - 1.0 for noise in take.played_noises]
    key = put.kind, put.over_phrase_db
    figures.told[key].append(any(put.at_s - NEAR_S <= at <= put.end_s for at in at_s))
    figures.near[key].append(any(abs(at - put.at_s) <= NEAR_S for at in at_s))
    figures.elsewhere += any(not put.at_s - NEAR_S <= at <= put.end_s + RINGING_S for at in at_s)
    figures.flags[f"noises at {put.over_phrase_db:+g} dB"] += sum(
        len(each.doubtful) for each in take.sections
    )


def add_rests(figures: Figures, made: MadeSet, strokes: Sequence[Piece], folder: Path) -> None:
    """Leave notes out so that nobody plays for a while, and put noises there."""
    chance = np.random.default_rng(made.seed + 1)
    plan = made.piece.plan
    from_s = 0.5 * float(plan.placement.last_release_s) - 0.5 * REST_S
    offs_s = [
        max(note.played_off_s, float(plan.insert_tempo.seconds_at(note.written_off_beats)))
        for note in plan.notes
    ]
    is_kept = [
        off_s <= from_s or note.played_on_s >= from_s + REST_S
        for note, off_s in zip(plan.notes, offs_s, strict=True)
    ]
    kept = [note for note, keep in zip(plan.notes, is_kept, strict=True) if keep]
    if not any(note.played_on_s < from_s for note in kept) or not any(
        note.played_on_s > from_s for note in kept
    ):
        return
    rested = replace(plan, notes=tuple(kept))
    off_s = max(off_s for off_s in offs_s if off_s <= from_s)
    tones = [tone for tone in played_by_people(strokes, made.seed) if is_kept[tone.note]]
    heard = heard_by_all(tones, made.piece)
    level = phrase_level(made.heard[0], made.piece)
    figures.rests += 1
    figures.false_rests += bool(_said_in_rests(folder, made, heard, rested))
    for level_db in REST_LEVELS_DB:
        for kind in NOISES:
            at_s = off_s + chance.uniform(*INTO_REST_S)
            put = Put(kind, sorted(SEATS)[chance.integers(len(SEATS))], at_s, at_s, level_db)
            noisy = with_noise(heard, level, put, chance)
            said = _said_in_rests(folder, made, noisy, rested)
            figures.in_rest[kind, level_db].append(any(abs(at - at_s) <= NEAR_S for at in said))


def _said_in_rests(folder: Path, made: MadeSet, heard: Heard, rested) -> list[float]:
    gains = {name: FULL / np.abs(sound).max() for name, sound in made.heard[0].items()}
    document = write_take(folder, made.letter, 9, heard, gains, made.seed)
    return [
        noise.at_s
        for file in document.files[:3]
        for noise in rest_noises(
            hear_take(folder / file.path, phrase_start_samples=RATE), rested, 0.03
        )
    ]


def lines(figures: Figures) -> Iterator[str]:
    """Yield what was found, as rows of a table."""
    for words, by_key in (
        ("while people play", figures.told),
        ("the same, within 0.1 s of its beginning", figures.near),
        ("in a rest of all players, a single take", figures.in_rest),
    ):
        for level_db in sorted({level for _, level in by_key}):
            kinds = {kind: by_key[kind, level_db] for kind in NOISES}
            every = [one for own in kinds.values() for one in own]
            each = ", ".join(f"{kind} {sum(own)} of {len(own)}" for kind, own in kinds.items())
            yield f"| {words}, {level_db:+g} dB | {len(every)} | {np.mean(every):.0%}: {each} |"
    yield f"| takes without a noise | {figures.takes} | {figures.false_takes} with one told |"
    tried = sum(len(own) for own in figures.told.values())
    yield f"| takes with a noise | {tried} | {figures.elsewhere} with one told elsewhere |"
    yield f"| rests without a noise | {figures.rests} | {figures.false_rests} with one told |"
    for words, count in figures.flags.items():
        yield f"| notes marked to listen to, {words} | | {count} |"


def made_set(day: Day, letter: str, strokes: Sequence[Piece], seed: int) -> MadeSet:
    """Return four takes, the last one with a wrong semitone."""
    piece = strokes[0]
    notes = long_notes(piece)
    wrong = notes[np.random.default_rng(seed).integers(len(notes))]
    with_wrong = [tuned(one, 100.0, {wrong}) for one in strokes]
    heard = [
        heard_by_all(
            played_by_people(with_wrong if number == TAKES - 1 else strokes, 100 * seed + number),
            piece,
        )
        for number in range(TAKES)
    ]
    return MadeSet(day, letter, piece, heard, seed)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--bank", type=Path, default=FLUID_R3)
    parser.add_argument("letters", nargs="*", metavar="LETTER", default=list("ABCD"))
    arguments = parser.parse_args()
    figures = Figures()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        made = []
        for number, (semitones, velocity) in enumerate(STROKES):
            own = folder / str(number)
            own.mkdir()
            made.append(
                made_day(
                    own,
                    bank=arguments.bank,
                    letters=arguments.letters,
                    semitones=semitones,
                    velocity=velocity,
                )
            )
        day = compose_day(made[0].day_toml)
        for letter in arguments.letters:
            strokes = [one.pieces[letter] for one in made]
            for seed in range(arguments.first, arguments.first + arguments.seeds):
                one = made_set(day, letter, strokes, 10 * seed + ord(letter))
                add(figures, one, folder)
                add_rests(figures, one, strokes, folder)
                sys.stderr.write(f"{letter} {seed}\n")
    sys.stdout.write("| what | tried | found |\n|---|---|---|\n" + "\n".join(lines(figures)) + "\n")


if __name__ == "__main__":
    main()

"""Takes of made days: noise that stands for players, so that every sample is told apart, and plain
tones that play an insert.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

from retro.day.clicks import patterned_click
from retro.day.compose import Day, compose_day
from retro.day.inserts import DayInsert
from retro.day.takes_document import MicrophoneFile, TakeDocument, TakesDocument
from retro.model.encoding import encoded

RATE = 48_000
MICROPHONES = ("Main", "Horns close", "Strings")


def write_takes(folder: Path, takes: dict[str, dict[int, int]], **known: object) -> Path:
    """Write three microphones that run through, with takes at given phrase starts; give takes.json.

    Parameters
    ----------
    folder
        Where to.
    takes
        Phrase start of each take by its number, by letter.
    known
        What else each take says.
    """
    seconds = max(start for starts in takes.values() for start in starts.values()) / RATE + 20
    files = []
    for number, name in enumerate(MICROPHONES):
        chance = np.random.default_rng(number)
        sound = chance.integers(-(2**20), 2**20, int(seconds * RATE), dtype=np.int32) << 8
        path = folder / f"{name.lower().replace(' ', '-')}.wav"
        soundfile.write(path, sound, RATE, subtype="PCM_24")
        files.append(MicrophoneFile(microphone=name, path=path.name))
    document = TakesDocument(
        takes=tuple(
            TakeDocument(
                letter=letter,
                number=number,
                files=tuple(files),
                phrase_start_frame=start,
                within_frames=2.0,
                **known,
            )
            for letter, starts in takes.items()
            for number, start in starts.items()
        )
    )
    path = folder / "takes.json"
    path.write_bytes(encoded(document))
    return path


@dataclass(frozen=True)
class Played:
    """A take of Insert A in a made reel: frame of its bar 1 beat 1, whether the click was on, for
    how many seconds it was played, and whether people talk then.
    """

    start: int
    ticks: bool = False
    seconds: float = 1e9
    talks: bool = True


def insert_of(day: Day, letter: str) -> tuple[DayInsert, tuple[int, ...]]:
    """Return an insert of a day, and its tick pattern."""
    number = [insert.letter for insert in day.inserts].index(letter)
    return day.inserts[number], day.patterns[number]


def day_of(folder: Path, letters: str) -> Day:
    """Return the day of the packs in a folder that have some letters."""
    path = folder / f"day-{letters}.toml"
    path.write_text("".join(f'[[pack]]\nfolder = "{letter}"\n' for letter in letters))
    return compose_day(path)


def sounding(insert: DayInsert, rate: int) -> npt.NDArray[np.float64]:
    """Return the insert as plain tones that begin and end where the plan writes them."""
    plan = insert.plan
    heard = np.zeros(int((float(plan.length_s) + 1.0) * rate))
    for note in plan.notes:
        start = int(note.played_on_s * rate)
        times_s = np.arange(int((note.played_off_s - note.played_on_s) * rate)) / rate
        hz = 440.0 * 2.0 ** ((note.pitch - 69) / 12)
        tone = sum(np.sin(2 * np.pi * hz * n * times_s) / n for n in range(1, 5))
        tone *= np.minimum(times_s / 0.03, 1.0)
        tone = tone[max(-start, 0) :]
        room = heard[max(start, 0) : max(start, 0) + len(tone)]
        room += 0.01 * tone[: len(room)]
    return heard


def played(day: Day, path: Path, takes: Sequence[Played]) -> Path:
    """Write a reel with takes of Insert A."""
    chance = np.random.default_rng(5)
    heard = chance.normal(0.0, 1e-4, max(take.start for take in takes) + 45 * RATE)
    talk = chance.normal(0.0, 0.05, 2 * RATE) * np.sin(np.pi * np.arange(2 * RATE) / RATE * 4) ** 2
    music = sounding(day.inserts[0], RATE)
    click = patterned_click(*insert_of(day, "A"))
    for take in takes:
        own = music[: int(min(take.seconds * RATE, len(music)))]
        heard[take.start : take.start + len(own)] += own
        quiet_from = take.start + (len(own) if take.talks else len(music))
        for at in range(quiet_from, take.start + len(music), 3 * RATE):
            heard[at : at + len(talk)] += talk
        if take.ticks:
            at = take.start - click.phrase_start_frame
            heard[at : at + len(click.sound)] += 0.02 * click.sound[:, 0]
    soundfile.write(path, heard, RATE)
    return path

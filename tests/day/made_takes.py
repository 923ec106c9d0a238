"""Takes of the made day: noise that stands for players, so that every sample is told apart."""

from pathlib import Path

import numpy as np
import soundfile

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

"""A study that players play in a made room, of which everything is known, and what it says."""

from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import numpy as np
import soundfile

from retro.measuring.microphones import Microphone
from retro.model.sound import Room
from retro.read.plan_file import PlanFile
from retro.sounds.take_learning import LearnedTake, learn_take
from tests.sounds.made_takes import LEAD_S, all_at_once, plan_of, taking_turns, write_song

ROOM = Room(0.5, 10.0)
BARS = 28
FIGURES = {
    "Oboe": (0.04, 0.2),
    "Horn in F": (0.06, 0.3),
    "Violin I": (0.065, 0.25),
    "Harp": (0.012, 4.0),
    "Timpani": (0.01, 1.6),
}
"""Attack and decay in seconds."""

SUSTAINED = ("Oboe", "Horn in F", "Violin I")


@cache
def plan(*, names: tuple[str, ...] = SUSTAINED, seed: int = 1, dense: bool = False) -> PlanFile:
    """Return the plan of a study's insert."""
    make = all_at_once if dense else taking_turns
    path = Path(mkdtemp()) / "study.mid"
    return plan_of(write_song(path, make(names, bars=BARS, seed=seed), bars=BARS), ROOM)


def learned(
    folder: Path,
    sound: np.ndarray,
    of: PlanFile,
    *,
    rate: int = 48_000,
    lead_s: float = LEAD_S,
    parts: tuple[int, ...] = (),
    **told: object,
) -> LearnedTake:
    """Return what one microphone says."""
    path = folder / "take.wav"
    soundfile.write(path, sound, rate, subtype="PCM_24")
    start = round(lead_s * rate)
    return learn_take([Microphone(path=path, phrase_start_samples=start, parts=parts)], of, **told)

"""What is learned of takes by a bank of sampled instruments, against each note as it sounds alone.

    python -m tests.evidence.learned_takes [--seeds 3] [--dense]

prints what was stated, the truth, and whether the stated spread covers it. The truth is read by
means of its own out of every note that the bank renders alone and dry: an attack is the time
between 10 and 3 dB below full, by the share of it that the sound law gives to that stretch; a
decay is the time of the first 15 dB of a fall, of a stroke while it is held. A player's truth is
the median of its notes. Windows of two periods hear no attack shorter than about `FINEST_S`.
"""

import argparse
import math
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from retro.measuring.microphones import Microphone
from retro.model.instruments import Sound
from retro.model.orchestra import by_id
from retro.model.sound import Room
from retro.plan.compose import plan_file
from retro.read.settings import load_settings
from retro.sounds.take_learning import learn_take
from retro.units import pitch_to_hz
from tests.evidence.made_ensembles import FLUID_R3, LEAD_S, RATE, Piece, make, piece_of
from tests.sounds.made_takes import all_at_once, taking_turns, write_song

TIM_GM = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")
BANKS = {"FluidR3": FLUID_R3, "TimGM6mb": TIM_GM}
PLAYERS = ("Oboe", "Horn in F", "Trumpet in C", "Bassoon", "Violin I", "Harp")
BARS = 28
ROOM = Room(0.5, 10.0)
RISE_SHARE = 1.0 - 0.3095
"""Share of an attack that lies between 10 and 3 dB below full, by the law."""

FALL_DB, STROKE_DB = (3.0, 18.0), (5.0, 20.0)
FULL_S = 0.125
FINEST_S = 0.01


@dataclass(frozen=True, kw_only=True)
class Learnt:
    """A figure that was stated, and the truth."""

    player: str
    what: str
    truth_s: float
    figure_s: float
    spread_s: float

    @property
    def is_covered(self) -> bool:
        """Whether the spread reaches the truth."""
        finest_s = FINEST_S if self.what == "attack" else 0.0
        return abs(self.figure_s - self.truth_s) <= max(self.spread_s, finest_s)


def learnt(bank: Path, seed: int, folder: Path, *, dense: bool = False) -> Iterator[Learnt]:
    """Yield what is stated of one made take of a bank."""
    notes = (all_at_once if dense else taking_turns)(PLAYERS, bars=BARS, seed=seed)
    song = write_song(folder / "study.mid", notes, bars=BARS)
    told = {
        "reverberation_s": ROOM.reverberation_s,
        "direct_to_reverberant_db": ROOM.direct_to_reverberant_db,
    }
    piece = piece_of("study", plan_file(song, load_settings(None, told)), folder, bank=bank)
    made = make(
        piece, room=ROOM, seed=seed, common_ms=20.0, spread_ms=9.0, noise_db=30.0, bleed_db=-60.0
    )
    path = folder / "take.wav"
    soundfile.write(path, made.heard, RATE, subtype="PCM_24")
    found = learn_take(
        [Microphone(path=path, phrase_start_samples=round(LEAD_S * RATE))],
        piece.plan,
        reverberation_s=ROOM.reverberation_s,
    )
    for part, player in enumerate(found.players):
        truths_s = truth_s(piece, part)
        figures = zip(("attack", "decay"), (player.attack, player.decay), truths_s, strict=True)
        for what, stated, true_s in figures:
            if stated is not None:
                yield Learnt(
                    player=player.name,
                    what=what,
                    truth_s=true_s,
                    figure_s=stated.figure_s,
                    spread_s=stated.spread_s,
                )


def truth_s(piece: Piece, part: int) -> tuple[float, float]:
    """Return attack and decay of a player: medians over its notes, each rendered alone."""
    is_struck = by_id(piece.plan.parts[part].instrument).sound is Sound.STRUCK
    seconds_at = piece.plan.insert_tempo.seconds_at
    found = []
    for index, note in enumerate(piece.plan.notes):
        if note.part == part:
            held_s = max(float(seconds_at(note.written_off_beats)) - piece.start_s[index], 0.1)
            found.append(_alone(piece.sounds[index], note.pitch, held_s, is_struck=is_struck))
    attack_s, decay_s = np.nanmedian(np.array(found), axis=0)
    return float(attack_s), float(decay_s)


def _alone(sound: np.ndarray, pitch: int, held_s: float, *, is_struck: bool) -> tuple[float, float]:
    """Return attack and decay of one note from its note-on."""
    window = np.hanning(round(max(2.0 / pitch_to_hz(pitch), 0.008) * RATE))
    energy = np.convolve(sound.astype(float) ** 2, window / window.sum(), "same")
    held = min(round(held_s * RATE), energy.size - 1)
    if is_struck:
        full, peak = float(energy.max()), int(energy.argmax())
        decay_s = _fall_s(energy[peak:held], full, STROKE_DB)
    else:
        full = float(_means(energy[:held], round(FULL_S * RATE)).max())
        before = float(energy[max(held - round(0.03 * RATE), 0) : held].mean())
        decay_s = _fall_s(energy[held:], before, FALL_DB)
    far, near = (int(np.argmax(energy >= full * 10.0 ** (-db / 10.0))) for db in (10.0, 3.0))
    return (near - far) / RATE / RISE_SHARE, decay_s


def _means(energy: np.ndarray, size: int) -> np.ndarray:
    size = min(size, energy.size // 2)
    sums = np.concatenate(([0.0], np.cumsum(energy)))
    return (sums[size:] - sums[:-size]) / size


def _fall_s(energy: np.ndarray, full: float, range_db: tuple[float, float]) -> float:
    """Return the time for 60 dB by a range below full; NaN where it falls less."""
    below = [np.flatnonzero(energy < full * 10.0 ** (-db / 10.0)) for db in range_db]
    if not all(found.size for found in below):
        return math.nan
    first, last = (int(found[0]) for found in below)
    return (last - first) / RATE * 60.0 / (range_db[1] - range_db[0])


def main() -> None:
    """Print what is learned of both banks."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--dense", action="store_true")
    arguments = parser.parse_args()
    for name, bank in BANKS.items():
        covered = []
        for seed in range(1, arguments.seeds + 1):
            with tempfile.TemporaryDirectory() as folder:
                for one in learnt(bank, seed, Path(folder), dense=arguments.dense):
                    covered.append(one.is_covered)
                    sys.stdout.write(
                        f"{name} {seed}: {one.player}: {one.what} {one.figure_s:.3f} s, "
                        f"± {one.spread_s:.3f}; alone {one.truth_s:.3f} s"
                        f"{'' if one.is_covered else ', not covered'}\n"
                    )
        sys.stdout.write(f"{name}: {sum(covered)} of {len(covered)} are covered\n")


if __name__ == "__main__":
    main()

"""Makes the figures for sampled decays in `retro.model.orchestra` out of banks of samples.

    python -m tests.evidence.sampled_decays BANK [BANK ...]

Every sustained instrument is held at three heights, three loudnesses and two lengths, alone and
dry. What counts is how long it takes from the note-off to 10 dB below the mean of the last 200 ms,
for that is where an onset is heard; six times that is a decay of 60 dB at the same rate. Banks that
landings and onsets are judged in (`tests.evidence.sampled_landings`) are not to be given here.
"""

import argparse
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

import numpy as np

from retro.model.instruments import Family, Instrument, Sound
from retro.model.orchestra import INSTRUMENTS
from tests.evidence.sampled_notes import RATE, TAIL_S, TICKS, Key, Sampler, window_of

HEIGHTS = (0.2, 0.4, 0.6)
VELOCITIES = (50, 75, 100)
HELD_S = (1.0, 1.37)
BEFORE_S = 0.2
DROP_DB = 10.0


def _keys(instrument: Instrument) -> list[Key]:
    span = instrument.high - instrument.low
    pitches = [round(instrument.low + span * height) for height in HEIGHTS]
    return [
        (0, instrument.programs[0], pitch, velocity, round(held_s * TICKS), ())
        for pitch in pitches
        for velocity in VELOCITIES
        for held_s in HELD_S
    ]


def _fall_s(sound: np.ndarray, key: Key) -> float:
    width = window_of(key[2])
    sums = np.concatenate(([0.0], np.cumsum(np.square(sound, dtype=float))))
    stop, before = round(key[4] / TICKS * RATE), round(BEFORE_S * RATE)
    full = (sums[stop] - sums[stop - before]) * width / before
    if full <= 1e-12:
        return float("nan")
    after = sums[np.minimum(np.arange(sound.size) + width, sound.size)] - sums[:-1]
    last = np.flatnonzero(after >= full * 10.0 ** (-DROP_DB / 10.0))[-1]
    return float(last - stop) / RATE


def decay_s(instrument: Instrument, sampler: Sampler) -> float:
    """Return the median decay of an instrument in seconds; NaN where it never sounds."""
    keys = _keys(instrument)
    starts, sound = sampler.play(keys)
    falls_s = []
    for key, start_s in zip(keys, starts, strict=True):
        first = round(start_s * RATE)
        last = first + round((key[4] / TICKS + TAIL_S - 0.1) * RATE)
        falls_s.append(_fall_s(sound[first:last], key))
    return 60.0 / DROP_DB * float(np.nanmedian(falls_s))


def _group(instrument: Instrument) -> str:
    if instrument.family is Family.STRINGS:
        return "string ensemble" if instrument.id == "strings" else "single strings"
    if instrument.family in (Family.WOODWIND, Family.BRASS):
        return "winds"
    return instrument.family.value


def main() -> None:
    """Print a line for every instrument, then the geometric means of the groups."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("banks", type=Path, nargs="+", metavar="BANK")
    banks = parser.parse_args().banks
    played = [i for i in INSTRUMENTS if i.sound is Sound.SUSTAINED and i.programs]
    groups = defaultdict(list)
    with tempfile.TemporaryDirectory() as folder:
        samplers = [Sampler(Path(folder), bank) for bank in banks]
        for instrument in played:
            found_s = [decay_s(instrument, sampler) for sampler in samplers]
            groups[_group(instrument)] += found_s
            sys.stdout.write(f"{instrument.id}: {', '.join(f'{s:.2f}' for s in found_s)} s\n")
    for group, found_s in groups.items():
        mean_s = float(np.exp(np.nanmean(np.log(found_s))))
        least_s, most_s = np.nanmin(found_s), np.nanmax(found_s)
        sys.stdout.write(f"{group}: {mean_s:.2g} s ({least_s:.2f} to {most_s:.2f})\n")


if __name__ == "__main__":
    main()

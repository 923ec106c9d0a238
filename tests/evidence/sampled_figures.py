"""Makes the sampler's figures in `retro.model.orchestra` out of banks of samples.

    python -m tests.evidence.sampled_figures BANK [BANK ...]

A bank is a SoundFont 2, played by fluidsynth, or a configuration of timidity (`.cfg`) that names
patches. Programs whose recordings sound in a bank that landings and onsets are judged in
(`tests.evidence.sampled_landings`) are left out, and so should be those banks.

*Decays* of sustained instruments: each is held at three heights, three loudnesses and two lengths,
alone and dry. What counts is how long it takes from the note-off to 10 dB below the mean of the
last 200 ms, for that is where an onset is heard; six times that is a decay of 60 dB at the same
rate.

*Attacks* of harps, guitars, pianos and harpsichords, at the same heights and loudnesses: from the
note-on until the tone is heard to begin, divided by what the law makes of a rise
(`retro.model.sound.rise_s`).
"""

import argparse
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Iterator
from itertools import product
from pathlib import Path

import numpy as np

from retro.model.instruments import Family, Instrument, Sound
from retro.model.orchestra import INSTRUMENTS
from retro.model.sound import rise_s
from tests.evidence.sampled_notes import (
    DROP_DB,
    FLUID_R3,
    PATCHES,
    RATE,
    TAIL_S,
    TICKS,
    TIM_GM,
    Key,
    Sampler,
    edges_of,
    window_of,
)
from tests.evidence.shared_recordings import shared_programs

HEIGHTS = (0.2, 0.4, 0.6)
VELOCITIES = (50, 75, 100)
HELD_S = (1.0, 1.37)
BEFORE_S = 0.2


def _keys(instrument: Instrument, lengths_s: Iterable[float]) -> list[Key]:
    span = instrument.high - instrument.low
    pitches = [round(instrument.low + span * height) for height in HEIGHTS]
    program = instrument.programs[0]
    return [
        (0, program, pitch, velocity, round(held_s * TICKS), ())
        for pitch, velocity, held_s in product(pitches, VELOCITIES, lengths_s)
    ]


def _sounds(keys: list[Key], sampler: Sampler) -> Iterator[tuple[Key, np.ndarray]]:
    """Play notes, and yield each with silence where the player ends its file early."""
    starts, sound = sampler.play(keys)
    for key, start_s in zip(keys, starts, strict=True):
        first = round(start_s * RATE)
        last = first + round((key[4] / TICKS + TAIL_S - 0.1) * RATE)
        heard = sound[first:last]
        yield key, np.pad(heard, (0, last - first - heard.size))


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
    falls_s = [_fall_s(sound, key) for key, sound in _sounds(_keys(instrument, HELD_S), sampler)]
    return 60.0 / DROP_DB * _median(falls_s)


def attacks_s(instrument: Instrument, sampler: Sampler) -> list[float]:
    """Return the median attack of a plucked instrument at each of the `HEIGHTS`, in seconds."""
    begins_s = [
        edges_of(sound, key[2], key[4] / TICKS).begins_s
        for key, sound in _sounds(_keys(instrument, HELD_S[:1]), sampler)
    ]
    share = float(rise_s(DROP_DB, 1.0))
    count = len(VELOCITIES)
    return [_median(begins_s[at : at + count]) / share for at in range(0, len(begins_s), count)]


def _median(seconds: list[float]) -> float:
    known = [each for each in seconds if not np.isnan(each)]
    return float(np.median(known)) if known else float("nan")


def _group(instrument: Instrument) -> str:
    if instrument.family is Family.STRINGS:
        return "string ensemble" if instrument.id == "strings" else "single strings"
    if instrument.family in (Family.WOODWIND, Family.BRASS):
        return "winds"
    return instrument.family.value


def _left_out(bank: Path) -> frozenset[int]:
    """Return the programs that say nothing of their own."""
    return frozenset() if bank.suffix == PATCHES else shared_programs(bank, (FLUID_R3, TIM_GM))


def main() -> None:
    """Print a line for every instrument, then the geometric means of the groups."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("banks", type=Path, nargs="+", metavar="BANK")
    banks = parser.parse_args().banks
    decays, attacks = defaultdict(list), [[] for _ in HEIGHTS]
    with tempfile.TemporaryDirectory() as folder:
        players = [(Sampler(Path(folder), bank), _left_out(bank)) for bank in banks]
        for instrument in (each for each in INSTRUMENTS if each.programs):
            asked = [each for each, left_out in players if instrument.programs[0] not in left_out]
            if instrument.sound is Sound.SUSTAINED:
                found_s = [decay_s(instrument, sampler) for sampler in asked]
                decays[_group(instrument)] += found_s
                _print(f"{instrument.id}: decay", found_s)
            elif instrument.family is not Family.STRINGS and instrument.sampler_attack is not None:
                for found_s in (attacks_s(instrument, sampler) for sampler in asked):
                    _print(f"{instrument.id}: attack", found_s)
                    for at, attack_s in zip(attacks, found_s, strict=True):
                        at.append(attack_s)
    for group, found_s in decays.items():
        _print(f"{group}: decay", [_mean(found_s), np.nanmin(found_s), np.nanmax(found_s)])
    for height, found_s in zip(HEIGHTS, attacks, strict=True):
        what = f"plucked at {height:g} of the range: attack"
        _print(what, [_mean(found_s), np.nanmin(found_s), np.nanmax(found_s)])


def _mean(seconds: list[float]) -> float:
    """Return the geometric mean."""
    return float(np.exp(np.nanmean(np.log(seconds))))


def _print(what: str, seconds: Iterable[float]) -> None:
    sys.stdout.write(f"{what} {', '.join(f'{each:.3f}' for each in seconds)} s\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()

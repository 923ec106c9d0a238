"""Takes by made ensembles, and how late every group of attacks in them is truly heard.

Every note of a plan is rendered alone by fluidsynth, as people play what is written: its perceived
onset by the plan's figures is put on the click, late by what all players share, by what its part is
late, and by a jitter of its own. A take is the sum of the notes in a room, with noise and click
bleed. The truth is measured on the sum of each group of attacks alone, in that room and without
noise: where its energy crosses the plan's threshold below its level (`docs/engineer.md`).

    python -m tests.evidence.made_ensembles [--seeds 10] [--first 20] [--bank SF2] [PIECE ...]

prints the table of docs/evidence.md.

Conventions
-----------
Sound is mono at `RATE`. Times are insert time in seconds; later is positive.
"""

import argparse
import json
import math
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr
from scipy.signal import fftconvolve

from retro.errors import RetroError
from retro.measuring.measure import measure_take
from retro.model.phrase import EXPRESSION, MODULATION, VOLUME
from retro.model.settings import ORCHESTRAL_STUDIO
from retro.model.sound import Room, rise_s
from retro.plan.compose import Plan, plan_file
from retro.plan.document import plan_json
from retro.read.plan_file import PlanFile, parse_plan
from retro.read.settings import beside, load_settings
from tests.evidence.sampled_notes import FLUID_R3, TAIL_S, TICKS, Key, one_by_one

EXAMPLES = Path(__file__).parents[2] / "examples"
PIECES = {
    "example": EXAMPLES / "harbour_pageant.mid",
    "horn chorale": EXAMPLES / "studies" / "horn_chorale.mid",
    "tutti": EXAMPLES / "studies" / "tutti.mid",
    "shimmer": EXAMPLES / "studies" / "shimmer.mid",
}
RATE = 48_000
DRUMS = 9
LEAD_S = 2.0
BATCH = 60
ENVELOPE_S = 0.008
"""Length of the window through which the truth reads energy."""

LEVEL_S = 0.5
"""For how long after a group's first sound its level is looked for."""

COMMON_MS = (-40.0, 0.0, 20.0, 80.0)
SPREADS_MS = (0.0, 9.0, 18.0, 30.0)
JITTER_MS = 12.0
ROOMS_S = (0.5, 1.4)
HEAD = (
    "| takes | of | refused | median error | absolute | covered | uncertainty | over 20 ms "
    "| at the anchor | covered | uncertainty |\n|---|---|---|---|---|---|---|---|---|---|---|\n"
)
NOISE_DB, BLEED_DB = 20.0, -30.0
MAX_WIDTH_MS = 20.0
"""How wide a stated uncertainty should be at most, for spreads up to 18 ms."""


def as_far_away(reverberation_s: float) -> Room:
    """Return a room at whose microphone the players are as far away as in the default one."""
    ratio = ORCHESTRAL_STUDIO.reverberation_s / reverberation_s
    direct_db = ORCHESTRAL_STUDIO.direct_to_reverberant_db + 10.0 * math.log10(ratio)
    return Room(reverberation_s, direct_db)


@dataclass(frozen=True)
class Piece:
    """A plan, and each of its notes as rendered alone, in the order of the plan's notes.

    `at_s` is when a note is heard if its player is with the click, `start_s` when it starts.
    """

    name: str
    plan: PlanFile
    document: dict
    part: np.ndarray
    at_s: np.ndarray
    start_s: np.ndarray
    weight: np.ndarray
    sounds: tuple[np.ndarray, ...]

    def groups(self, parts: Sequence[int] | None = None) -> list[np.ndarray]:
        """Return the notes that attack together, as indexes."""
        kept = [i for i in np.argsort(self.at_s, kind="stable") if not np.isnan(self.at_s[i])]
        if parts is not None:
            kept = [i for i in kept if self.part[i] in parts]
        groups: list[list[int]] = []
        for i in kept:
            if groups and self.at_s[i] - self.at_s[groups[-1][0]] <= 0.03:
                groups[-1].append(i)
            else:
                groups.append([i])
        return [np.array(group) for group in groups]


def load(name: str, folder: Path, *, path: Path | None = None, bank: Path = FLUID_R3) -> Piece:
    """Plan a piece and render its notes."""
    path = path or PIECES[name]
    plan = plan_file(path, load_settings(beside(path), {}))
    return piece_of(name, plan, folder, bank=bank)


def piece_of(
    name: str,
    plan: Plan,
    folder: Path,
    *,
    bank: Path = FLUID_R3,
    semitones: int = 0,
    velocity: int = 0,
) -> Piece:
    """Render the notes of a plan as people play what is written.

    Parameters
    ----------
    semitones, velocity
        For other strokes of the same notes: their sounds are those of notes so much higher, brought
        down again, and struck so much harder.
    """
    performance = plan.performance
    parts, tempo = performance.insert.parts, performance.insert.tempo
    length_s = float(performance.target.length_s)
    at_s, start_s, keys = [], [], []
    for note in performance.notes:
        on_s, off_s = (float(tempo.seconds_at(at)) for at in written_span(note))
        first_s = on_s - float(rise_s(performance.settings.onset_db, note.written_attack_s))
        heard_s = math.nan
        if note.lands_s is not None and note.written_landing_error_ms is not None:
            wanted_s = note.lands_s - note.landing_error_ms / 1000.0
            heard_s = length_s - wanted_s - note.written_landing_error_ms / 1000.0
        at_s.append(heard_s)
        start_s.append(first_s)
        part = parts[note.part]
        held = max(round((off_s - first_s) * TICKS), TICKS // 20)
        changes = []
        for number, steps in part.controllers:
            if number not in (MODULATION, VOLUME, EXPRESSION):
                continue
            for begins, _, value in steps.spans():
                tick = round((float(tempo.seconds_at(begins)) - first_s) * TICKS)
                if tick <= 0:
                    changes = [one for one in changes if one[1] != number]
                if tick < held:
                    changes.append((max(tick, 0), number, value))
        channel = DRUMS if part.channel == DRUMS else 0
        target = note.target
        pitch = target.pitch if channel == DRUMS else target.pitch + semitones
        loud = min(max(target.velocity + velocity, 1), 127)
        slower = 2.0 ** ((pitch - target.pitch) / 12.0)
        keys.append((channel, part.program or 0, pitch, loud, round(held / slower), tuple(changes)))
    sounds = rendered(keys, folder, bank)
    if semitones:
        slower = 2.0 ** (semitones / 12.0)
        sounds = {
            key: sound if key[0] == DRUMS else soxr.resample(sound, RATE, RATE * slower)
            for key, sound in sounds.items()
        }
    document = json.loads(plan_json(plan))
    return Piece(
        name=name,
        plan=parse_plan(plan_json(plan), where="plan.json"),
        document=document,
        part=np.array([note.part for note in performance.notes]),
        at_s=np.array(at_s),
        start_s=np.array(start_s),
        weight=np.array([float(note.target.velocity) ** 4 for note in performance.notes]),
        sounds=tuple(sounds[key] for key in keys),
    )


def written_span(note):
    """Return what stands on paper."""
    return note.written_on_beats, note.written_off_beats


def rendered(keys: Iterable[Key], folder: Path, bank: Path) -> dict[Key, np.ndarray]:
    """Return the sound of every distinct note from its note-on."""
    fresh = list(dict.fromkeys(keys))
    sounds = {}
    for first in range(0, len(fresh), BATCH):
        sounds.update(_batch(fresh[first : first + BATCH], folder, bank))
    return sounds


def _batch(keys: Sequence[Key], folder: Path, bank: Path) -> Iterator[tuple[Key, np.ndarray]]:
    setup = ((121, 0), (VOLUME, 100), (91, 0), (93, 0))
    starts, sound = one_by_one(keys, folder, bank, rate=RATE, setup=setup, flags=("-g", "0.5"))
    for key, on in zip(keys, starts, strict=True):
        first = round(on / TICKS * RATE)
        yield key, sound[first : first + round((key[4] / TICKS + TAIL_S - 0.15) * RATE)].copy()


@dataclass(frozen=True)
class Made:
    """A made take: what its notes do, and how late its groups are heard.

    `late_ms` has one value a group; `level` its weight.
    """

    heard: np.ndarray
    late_ms: np.ndarray
    level: np.ndarray
    at_s: np.ndarray

    @property
    def lateness_ms(self) -> float:
        """The median over groups, weighted by amplitude."""
        return weighted_median(self.late_ms, np.sqrt(self.level))

    @property
    def anchor_ms(self) -> float:
        """That of the last landing, the first group."""
        return float(self.late_ms[0])


def weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    """Return the value in the middle of all weights, between neighbours where it falls so."""
    order = np.argsort(values)
    reached = (np.cumsum(weights[order]) - 0.5 * weights[order]) / weights.sum()
    return float(np.interp(0.5, reached, values[order]))


def answer_of(room: Room | None, seed: int = 1) -> np.ndarray:
    """Return the answer of a room: the direct sound, and noise that decays."""
    if room is None:
        return np.ones(1)
    t_s = np.arange(round(1.1 * room.reverberation_s * RATE)) / RATE
    tail = np.random.default_rng(seed).standard_normal(t_s.size)
    tail *= 10.0 ** (-3.0 * t_s / room.reverberation_s)
    tail *= math.sqrt(room.share / np.sum(tail * tail))
    tail[0] += 1.0
    return tail


def make(
    piece: Piece,
    *,
    room: Room | None,
    seed: int = 0,
    common_ms: float = 0.0,
    spread_ms: float = 0.0,
    jitter_ms: float = JITTER_MS,
    gains: np.ndarray | None = None,
    own: Sequence[int] | None = None,
    noise_db: float = NOISE_DB,
    bleed_db: float = BLEED_DB,
) -> Made:
    """Make a take.

    Parameters
    ----------
    gains
        How strong each part is at the microphone; all alike if None.
    own
        The parts whose groups count as the truth; all if None.
    """
    chance = np.random.default_rng(seed)
    parts = int(piece.part.max()) + 1
    late_s = (common_ms + spread_ms * chance.standard_normal(parts))[piece.part] / 1000.0
    late_s = late_s + jitter_ms / 1000.0 * chance.standard_normal(len(piece.part))
    gain = (np.ones(parts) if gains is None else gains)[piece.part]
    firsts = np.round((piece.start_s + late_s + LEAD_S) * RATE).astype(int)
    end = max(first + len(sound) for first, sound in zip(firsts, piece.sounds, strict=True))
    answer = answer_of(room, seed + 1)
    dry = np.zeros(end + 1)
    for first, sound, g in zip(firsts, piece.sounds, gain, strict=True):
        dry[first : first + len(sound)] += g * sound
    heard = fftconvolve(dry, answer) if len(answer) > 1 else dry
    groups = piece.groups(own)
    late_ms, level = [], []
    for group in groups:
        at_s = group_place_s(piece, group)
        late_ms.append(1000.0 * (_group_crossing_s(piece, group, firsts, gain, answer) - at_s))
        level.append(piece.weight[group].sum())
    music = heard[round(LEAD_S * RATE) : round((LEAD_S + float(piece.plan.length_s)) * RATE)]
    rms, peak = math.sqrt(np.mean(music**2)), np.abs(music).max()
    heard = heard + chance.standard_normal(len(heard)) * rms * 10.0 ** (-noise_db / 20.0)
    heard = with_clicks(heard, piece.plan.clicks_s, peak * 10.0 ** (bleed_db / 20.0))
    return Made(
        heard=heard * (0.5 / np.abs(heard).max()),
        late_ms=np.array(late_ms),
        level=np.array(level),
        at_s=np.array([group_place_s(piece, group) for group in groups]),
    )


def group_place_s(piece: Piece, group: np.ndarray) -> float:
    """Return where a group is written: the median of its notes, weighted by level."""
    return weighted_median(piece.at_s[group], piece.weight[group])


def _group_crossing_s(
    piece: Piece,
    group: np.ndarray,
    firsts: np.ndarray,
    gain: np.ndarray,
    answer: np.ndarray,
    level_s: float = LEVEL_S,
) -> float:
    low = int(firsts[group].min()) - RATE // 50
    size = round((np.ptp(firsts[group]) / RATE + 0.6) * RATE)
    alone = np.zeros(size)
    for i in group:
        first = firsts[i] - low
        sound = piece.sounds[i][: max(size - first, 0)]
        alone[first : first + len(sound)] += gain[i] * sound
    if len(answer) > 1:
        alone = fftconvolve(alone, answer[:size])[:size]
    return low / RATE + crossing_s(alone, piece.plan.settings.onset_db, level_s) - LEAD_S


def crossing_s(alone: np.ndarray, onset_db: float, level_s: float = LEVEL_S) -> float:
    """Return when the energy of a sound crosses a threshold below its level, from its start on."""
    width = round(ENVELOPE_S * RATE)
    window = np.hanning(width)
    energy = np.convolve(alone**2, window / window.sum(), mode="same")
    begun = np.flatnonzero(energy > 1e-4 * energy.max())[0]
    within = energy[begun : begun + round(level_s * RATE)]
    threshold = within.max() * 10.0 ** (-onset_db / 10.0)
    return (begun + int(np.flatnonzero(within >= threshold)[0])) / RATE


def with_clicks(heard: np.ndarray, clicks_s: Sequence[float], peak: float) -> np.ndarray:
    """Return a take into which the click bleeds."""
    t = np.arange(RATE // 50) / RATE
    click = peak * np.sin(2 * np.pi * 1500 * t) * np.exp(-t / 0.004)
    bled = heard.copy()
    for at_s in clicks_s:
        at = round((at_s + LEAD_S) * RATE)
        if 0 <= at < len(heard) - len(click):
            bled[at : at + len(click)] += click
    return bled


@dataclass(frozen=True)
class Case:
    """One take, and what was measured; NaN where it was refused."""

    room_s: float
    spread_ms: float
    error_ms: float
    uncertainty_ms: float
    anchor_error_ms: float
    anchor_uncertainty_ms: float


def cases(piece: Piece, folder: Path, seeds: Iterable[int]) -> Iterator[Case]:
    """Measure takes of a piece: every room and spread, the common lateness in turn."""
    path = folder / "take.wav"
    for seed in seeds:
        for room_s in ROOMS_S:
            for index, spread_ms in enumerate(SPREADS_MS):
                made = make(
                    piece,
                    room=as_far_away(room_s),
                    seed=1000 * seed + 10 * index + int(room_s),
                    common_ms=COMMON_MS[(seed + index) % len(COMMON_MS)],
                    spread_ms=spread_ms,
                )
                soundfile.write(path, made.heard, RATE, subtype="PCM_24")
                yield _case(path, piece, made, room_s, spread_ms)


def _case(path: Path, piece: Piece, made: Made, room_s: float, spread_ms: float) -> Case:
    try:
        found = measure_take(path, piece.plan, phrase_start_samples=round(LEAD_S * RATE))
    except RetroError:
        return Case(room_s, spread_ms, *[math.nan] * 4)
    has_anchor = found.anchor_lateness_ms is not None
    return Case(
        room_s,
        spread_ms,
        found.lateness_ms - made.lateness_ms,
        found.lateness_uncertainty_ms,
        found.anchor_lateness_ms - made.anchor_ms if has_anchor else math.nan,
        found.anchor_lateness_uncertainty_ms if has_anchor else math.nan,
    )


def row_of(name: str, some: Sequence[Case]) -> str:
    """Return a row of the table: of all cases that were measured."""
    errors, doubts, anchor, anchor_doubts = (
        np.array([getattr(case, key) for case in some])
        for key in ("error_ms", "uncertainty_ms", "anchor_error_ms", "anchor_uncertainty_ms")
    )
    known = ~np.isnan(errors)
    has_anchor = ~np.isnan(anchor)
    figures = (
        f"{len(some)}",
        f"{np.mean(~known):.0%}",
        f"{np.median(errors[known]):+.1f}",
        f"{np.median(np.abs(errors[known])):.1f}",
        f"{np.mean(np.abs(errors[known]) <= doubts[known]):.0%}",
        f"{np.median(doubts[known]):.0f} to {doubts[known].max():.0f}",
        f"{np.mean(doubts[known] > MAX_WIDTH_MS):.0%}",
        f"{np.median(anchor[has_anchor]):+.1f}",
        f"{np.mean(np.abs(anchor[has_anchor]) <= anchor_doubts[has_anchor]):.0%}",
        f"{np.median(anchor_doubts[has_anchor]):.0f} to {anchor_doubts[has_anchor].max():.0f}",
    )
    return f"| {name} | {' | '.join(figures)} |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--first", type=int, default=20, help="first seed")
    parser.add_argument("--bank", type=Path, default=FLUID_R3)
    parser.add_argument("pieces", nargs="*", metavar="PIECE", default=list(PIECES))
    arguments = parser.parse_args()
    seeds = range(arguments.first, arguments.first + arguments.seeds)
    every: list[Case] = []
    sys.stdout.write(HEAD)
    with tempfile.TemporaryDirectory() as name:
        for piece in arguments.pieces:
            loaded = load(piece, Path(name), bank=arguments.bank)
            found = list(cases(loaded, Path(name), seeds))
            every += found
            sys.stdout.write(row_of(f"{piece}, all", found) + "\n")
            for room_s in ROOMS_S:
                some = [case for case in found if case.room_s == room_s]
                sys.stdout.write(row_of(f"{piece}, {room_s:g} s", some) + "\n")
            for spread_ms in SPREADS_MS:
                some = [case for case in found if case.spread_ms == spread_ms]
                sys.stdout.write(row_of(f"{piece}, spread {spread_ms:g} ms", some) + "\n")
            sys.stdout.flush()
    sys.stdout.write(row_of("all", every) + "\n")
    tight = [case for case in every if case.spread_ms <= 18.0]
    sys.stdout.write(row_of("all, spreads to 18 ms", tight) + "\n")


if __name__ == "__main__":
    main()

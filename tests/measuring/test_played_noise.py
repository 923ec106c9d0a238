"""Noises while people play, in sounds that are made here: chords of tones, and rests."""

import json
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from retro.measuring.noise import Noise, Where, clearest
from retro.measuring.played_noise import (
    BANDS,
    LONE_DB,
    MIN_OVER_DB,
    MIN_OVER_ONE_DB,
    MIN_QUIET_DB,
    MIN_QUIET_ONE_DB,
    QUIET_BANDS,
    levels_db,
    played_noises,
    rest_noises,
)
from retro.read.plan_file import parse_plan
from tests.measuring.made_sound import Sound
from tests.measuring.test_take_faults import RATE, decaying

LENGTH_S = 5.0
NAMES = ("Main", "Close")
Take = list[npt.NDArray[np.float64]]


def take(seed: int, *, gain: float = 1.0, ends_s: float = LENGTH_S) -> Take:
    """Return two microphones of five chords; people are out of time and of level."""
    chance = np.random.default_rng(seed)
    heard = [1e-4 * chance.standard_normal(round(LENGTH_S * RATE)) for _ in NAMES]
    for chord in range(5):
        for hz in (220.0, 277.2, 329.6, 440.0, 659.3):
            at_s = 0.1 + 0.95 * chord + 0.015 * chance.standard_normal()
            t_s = np.arange(round(0.9 * RATE)) / RATE
            shape = np.minimum(1.0, t_s / 0.05) * np.minimum(1.0, (0.9 - t_s) / 0.1)
            tone = sum(
                np.sin(2.0 * np.pi * k * hz * t_s + chance.uniform(0.0, 6.0)) / k**2
                for k in range(1, 12)
            )
            loud = 0.03 * 10.0 ** (1.5 * chance.standard_normal() / 20.0)
            first = round(max(at_s, 0.0) * RATE)
            for sound in heard:
                place = sound[first : first + len(t_s)]
                place += (loud * tone * shape)[: len(place)]
    return [gain * sound[: round(ends_s * RATE)] for sound in heard]


def with_noise(heard: Take, at_s: float, over_db: float, microphones: int = 2) -> Take:
    """Return a take with a fifth of a second of noise, by its level against the whole take."""
    chance = np.random.default_rng(99)
    burst = chance.standard_normal(round(0.2 * RATE))
    level = np.sqrt(np.mean(heard[0] ** 2)) * 10.0 ** (over_db / 20.0)
    noisy = [sound.copy() for sound in heard]
    for sound in noisy[:microphones]:
        sound[round(at_s * RATE) :][: len(burst)] += level * burst
    return noisy


def told(takes: list[Take]) -> list[tuple[Where, ...] | None]:
    levels = [
        levels_db([Sound(sound, RATE) for sound in heard], 0.0, len(heard[0]) / RATE)
        for heard in takes
    ]
    return played_noises(levels, [0.0] * len(takes), NAMES)


@pytest.fixture(scope="module")
def takes() -> list[Take]:
    return [take(seed) for seed in range(3)]


def test_takes_that_differ_as_people_do_have_no_noises(takes: list[Take]) -> None:
    assert told(takes) == [(), (), ()]
    assert told(takes[:2]) == [(), ()]


@pytest.mark.parametrize("count", [2, 3])
@pytest.mark.parametrize("at_s", [0.02, 2.6, 4.03])
def test_a_noise_as_loud_as_the_music_is_told_at_its_time_and_in_its_take_alone(
    takes: list[Take], count: int, at_s: float
) -> None:
    first, *others = told([with_noise(takes[0], at_s, 0.0), *takes[1:count]])
    assert first is not None
    ((noise, _),) = first
    assert abs(noise.at_s - at_s) < 0.1
    assert 0.1 < noise.end_s - noise.at_s < 0.5
    assert noise.over_db > 10.0
    assert others == [()] * (count - 1)


def test_a_take_at_another_gain_has_no_noise_for_it(takes: list[Take]) -> None:
    assert told([take(0, gain=0.1), *takes[1:]]) == [(), (), ()]
    assert told([with_noise(take(0, gain=0.1), 3.0, 0.0), *takes[1:]])[0]


@pytest.mark.parametrize(
    ("first_row", "least_bands", "least_db", "least_one_db"),
    [
        (0, BANDS, MIN_OVER_DB, MIN_OVER_ONE_DB),
        (2, QUIET_BANDS, MIN_QUIET_DB, MIN_QUIET_ONE_DB),
    ],
)
@pytest.mark.parametrize(
    ("fewer_bands", "microphones", "more_db", "others", "is_told"),
    [
        (0, 2, 1.0, 2, True),
        (0, 2, -1.0, 2, False),
        (1, 2, 30.0, 2, False),
        (0, 1, LONE_DB - 1.0, 2, False),
        (0, 1, LONE_DB + 1.0, 2, True),
        (0, 2, -1.0, 1, False),
        (0, 2, 1.0, 1, True),
    ],
)
def test_a_noise_stands_out_in_bands_and_microphones(
    first_row: int,
    least_bands: int,
    least_db: float,
    least_one_db: float,
    fewer_bands: int,
    microphones: int,
    more_db: float,
    others: int,
    is_told: bool,
) -> None:
    bands, over_db = least_bands - fewer_bands, more_db + (least_db if others > 1 else least_one_db)
    steady = np.full((4, 100, 18), -40.0)
    noisy = steady.copy()
    noisy[first_row : first_row + microphones, 50:60, :bands] += over_db
    first, *rest = played_noises([noisy, *[steady] * others], [0.5] + [0.0] * others, NAMES)
    assert rest == [()] * others
    assert first is not None
    at_s = [(round(noise.at_s, 2), round(noise.end_s, 2), noise.over_db) for noise, _ in first]
    assert at_s == ([(1.5, 1.7, over_db)] if is_told else [])


def test_a_noise_that_all_takes_have_is_not_told_and_of_a_single_take_nothing_is_known(
    takes: list[Take],
) -> None:
    assert told([with_noise(each, 3.0, 0.0) for each in takes]) == [(), (), ()]
    assert told([with_noise(takes[0], 3.0, 0.0)]) == [None]


@pytest.mark.parametrize("over_db", [-10.0, -15.0])
def test_a_noise_that_the_music_is_louder_than_fills_the_places_between_its_partials(
    takes: list[Take], over_db: float
) -> None:
    """Where it lies under a held chord, and the level of no third octave grows by much."""
    first, *others = told([with_noise(takes[0], 2.4, over_db), *takes[1:]])
    assert first is not None
    ((noise, _),) = first
    assert abs(noise.at_s - 2.4) < 0.1
    assert others == [(), ()]


def test_a_take_that_hisses_has_a_noise_all_along_and_one_of_another_loudness_is_not_compared(
    takes: list[Take],
) -> None:
    chance = np.random.default_rng(5)
    hiss = 2e-4 * chance.standard_normal(len(takes[0][0]))
    first, *others = told([[sound + hiss for sound in takes[0]], *takes[1:]])
    assert first is not None
    ((noise, _),) = first
    assert noise.end_s - noise.at_s > 4.0
    assert others == [(), ()]
    softer = [sound + 0.5 * hiss for sound in take(0, gain=0.25)]
    assert told([softer, *takes[1:]]) == [None, (), ()]


def test_a_take_that_was_broken_off_says_nothing_of_the_others(takes: list[Take]) -> None:
    broken = take(1, ends_s=2.5)
    assert told([takes[0], broken]) == [(), ()]
    assert told([with_noise(takes[0], 4.0, 0.0), broken]) == [(), ()]
    assert told([with_noise(takes[0], 1.5, 0.0), broken])[0]
    fell_silent = [
        np.where(np.arange(len(each)) < 3 * RATE, each, 1e-5 * each) for each in takes[1]
    ]
    assert told([takes[0], fell_silent])[0] is None
    assert told([takes[0], [np.zeros(0)] * 2, takes[2]]) == [(), (), ()]


def test_in_a_rest_a_noise_is_told_without_another_take_and_a_click_is_not(
    plan_document: dict[str, object],
) -> None:
    plan = parse_plan(json.dumps(plan_document).encode(), where="plan.json")
    beats_at = plan.insert_tempo.beats_at
    notes = tuple(
        replace(
            note,
            played_on_s=on_s,
            played_off_s=off_s - 0.1,
            written_on_beats=beats_at(on_s),
            written_off_beats=beats_at(off_s),
        )
        for note, on_s, off_s in zip(plan.notes, (0.2, 0.0, 4.5), (0.8, 1.0, 5.0), strict=False)
    )
    rested = replace(plan, notes=notes, clicks_s=(2.0, 3.0))
    for at_s, length_s, is_told in ((2.4, 0.25, True), (2.01, 0.25, True), (3.01, 0.1, False)):
        rest = decaying(1.0)
        place = rest.sound[round(at_s * RATE) :][: round(length_s * RATE)]
        burst = np.random.default_rng(3).standard_normal(len(place))
        place += 5.0 * np.sqrt(np.mean(place**2)) * burst
        at = [noise.at_s for noise in rest_noises(rest, rested, 0.0)]
        assert len(at) == is_told
        assert all(abs(one - at_s) < 0.1 for one in at)
    assert list(rest_noises(decaying(1.0), rested, 0.0)) == []
    loud_end = decaying(1.0)
    loud_end.sound[round(4.5 * RATE) :] += 0.1
    assert list(rest_noises(loud_end, rested, 0.0)) == []


def test_of_noises_that_overlap_the_clearest_is_kept() -> None:
    soft, loud, other = (
        Noise(at_s=at_s, end_s=at_s + 0.3, over_db=over_db)
        for at_s, over_db in ((1.1, 6.0), (1.0, 12.0), (3.0, 5.0))
    )
    heard = [(other, "Main"), (soft, "Main"), (loud, "Close")]
    assert clearest(heard) == ((loud, "Close"), (other, "Main"))

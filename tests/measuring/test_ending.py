"""Some players let go before the others: heard in sounds of two sections that are made here."""

import json
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from retro.measuring.ending import ending, held_together_s, missing_early_s
from retro.model.sound import FloatArray
from retro.read.plan_file import PlanFile, parse_plan
from tests.measuring.made_sound import Sound

RATE, END_S, FADE_S, RELEASED_S = 16_000, 1.0, 0.06, 1.2
SECTIONS_HZ = ((220.0, 277.2, 329.6), (146.8, 392.0, 587.3))
DESKS_CENTS = (-4.0, 0.0, 4.0)
OTHERS_DB = -10.0
"""How much less of the other section each of their microphones hears."""


def desks(section: int, early_s: float, chance: np.random.Generator) -> FloatArray:
    """Return three desks that beat, each in time by its own, and stop early."""
    times_s = np.arange(round(RELEASED_S * RATE)) / RATE
    heard = np.zeros(times_s.size)
    for hz in SECTIONS_HZ[section]:
        for cents in DESKS_CENTS:
            stop_s = END_S - early_s + 0.014 * chance.standard_normal()
            fade = np.clip((stop_s + FADE_S - times_s) / FADE_S, 0.0, 1.0)
            for number in range(1, 9):
                turned = 2.0 * np.pi * (number * hz * 2 ** (cents / 1200.0) * times_s)
                heard += fade * np.sin(turned + chance.uniform(0.0, 2.0 * np.pi)) / number
    return 0.02 * heard


def take(seed: int, *, early_s: float = 0.0, gain: float = 1.0) -> dict[str, FloatArray]:
    """Return the end of a take in which the first section may let go early."""
    chance = np.random.default_rng(seed)
    own = [desks(0, early_s, chance), desks(1, 0.0, chance)]
    bleed = 10.0 ** (OTHERS_DB / 20.0)
    heard = {
        "Main": own[0] + own[1],
        "First": own[0] + bleed * own[1],
        "Second": own[1] + bleed * own[0],
    }
    noise = 1e-4 * chance.standard_normal((len(heard), own[0].size))
    return {
        name: ending(Sound(gain * sound + hiss, RATE), END_S, lateness_s=0.0)
        for (name, sound), hiss in zip(heard.items(), noise, strict=True)
    }


@pytest.fixture(scope="module")
def others() -> list[dict[str, FloatArray]]:
    return [take(seed) for seed in (1, 2, 3)]


def test_a_section_that_lets_go_before_the_others_is_told(
    others: list[dict[str, FloatArray]],
) -> None:
    for seed in (11, 12):
        early_s = missing_early_s(take(seed, early_s=0.25, gain=0.3), others)
        assert early_s == pytest.approx(0.25, abs=0.07)


@pytest.mark.parametrize("early_s", [0.0, 0.05, 0.1])
def test_a_section_on_time_or_hardly_early_is_not_told(
    others: list[dict[str, FloatArray]], early_s: float
) -> None:
    assert all(missing_early_s(take(seed, early_s=early_s), others) is None for seed in (11, 12))


def test_two_microphones_and_two_other_takes_have_to_say_so(
    others: list[dict[str, FloatArray]],
) -> None:
    early = take(11, early_s=0.25)
    assert missing_early_s(early, others[:1]) is None
    assert missing_early_s({"First": early["First"]}, others) is None
    assert missing_early_s(early, [{"First": other["First"]} for other in others]) is None
    assert missing_early_s(others[0] | {"First": early["First"]}, others) is None


def test_silence_misses_nothing() -> None:
    silent = {name: ending(Sound(np.zeros(4 * RATE), RATE), END_S, lateness_s=0.0) for name in "AB"}
    assert missing_early_s(silent, [silent, silent]) is None


def with_last_note_from(plan: PlanFile, before_s: float) -> PlanFile:
    """Return a plan whose last note begins so long before its end."""
    last = max(plan.notes, key=lambda note: note.written_off_beats)
    beats_at = plan.insert_tempo.beats_at
    end_s = plan.insert_tempo.seconds_at(last.written_off_beats)
    begins = beats_at(end_s - Fraction(before_s))
    notes = [
        replace(note, written_on_beats=begins) if note is last else note for note in plan.notes
    ]
    return replace(plan, notes=tuple(notes))


def test_endings_are_compared_where_the_last_tones_are_held(
    plan_document: dict[str, object],
) -> None:
    plan = parse_plan(json.dumps(plan_document).encode(), where="plan.json")
    plan = replace(plan, parts=tuple(replace(part, instrument="flute") for part in plan.parts))
    last_beats = max(note.written_off_beats for note in plan.notes)
    end_s = held_together_s(plan)
    assert end_s == pytest.approx(float(plan.insert_tempo.seconds_at(last_beats)))
    assert held_together_s(with_last_note_from(plan, 0.6)) == pytest.approx(end_s)
    assert held_together_s(with_last_note_from(plan, 0.4)) is None
    assert held_together_s(with_last_note_from(plan, 0.2)) is None
    assert held_together_s(replace(plan, notes=())) is None

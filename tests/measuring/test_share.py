"""What a section's microphone hears of others: made tones at two microphones."""

import numpy as np
import pytest

from retro.measuring.groups import Group, groups_of
from retro.measuring.identify import ExpectedAttack
from retro.measuring.share import MIN_SHARE, own_shares
from retro.units import pitch_to_hz
from tests.measuring.made_sound import Sound

RATE = 16_000
LENGTH_S = 1.0
OWN, OTHERS = (60, 67), (64, 72, 79)
"""C and G of the section; E of others, and octaves that share their partials with it."""


def attack(pitch: int) -> ExpectedAttack:
    return ExpectedAttack(at_s=0.0, pitch=pitch, weight=1.0, length_s=LENGTH_S)


def tones(pitches: tuple[int, ...], seed: int) -> np.ndarray:
    """Tones of eight partials, from 1 s on."""
    chance = np.random.default_rng(seed)
    t_s = np.arange(3 * RATE) / RATE - 1.0
    heard = sum(
        np.sin(2.0 * np.pi * number * pitch_to_hz(pitch) * t_s + 6.0 * chance.random()) / number
        for pitch in pitches
        for number in range(1, 9)
    )
    return np.where(t_s >= 0.0, heard, 0.0)


def shares(own: float, bled: float, *, with_everyone: bool = True) -> tuple[float, ...]:
    """Shares where the section and what bleeds in have these amplitudes; a main hears others."""
    section, others = tones(OWN, 1), tones(OTHERS, 2)
    everyone = Sound(0.1 * own * section + others, RATE, start_s=-1.0) if with_everyone else None
    groups: tuple[Group, ...] = groups_of([attack(pitch) for pitch in OWN])
    return own_shares(
        Sound(own * section + bled * others, RATE, start_s=-1.0),
        everyone,
        groups,
        [attack(p) for p in OTHERS],
        0.0,
    )


@pytest.mark.parametrize("bled", [0.0, 0.2, 0.5])
def test_what_bleeds_in_is_taken_from_a_group_as_far_as_it_has_its_partials(bled):
    """Of the three others the two octaves have their energy at partials of the section's."""
    section, octaves = tones(OWN, 1), tones(OTHERS[1:], 2)
    energy, bleeding = np.sum(section**2), bled**2 * np.sum(octaves**2)
    assert shares(1.0, bled) == pytest.approx([energy / (energy + bleeding)], abs=0.06)


def test_a_group_that_drowns_has_the_least_share():
    assert shares(0.1, 1.0) == (MIN_SHARE,)


def test_without_a_microphone_that_hears_everyone_all_of_it_is_the_section():
    assert shares(1.0, 0.5, with_everyone=False) == (1.0,)

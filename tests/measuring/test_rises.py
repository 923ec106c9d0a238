"""Where a group rises: made tones whose pitch settles late, and players who beat as they begin."""

import numpy as np
import pytest

from retro.measuring.groups import Group, groups_of
from retro.measuring.identify import ExpectedAttack
from retro.measuring.rises import follow, heard_late
from retro.units import pitch_to_hz
from tests.measuring.made_sound import Sound

RATE = 24_000
LATE_S = 0.02
T_S = np.arange(3 * RATE) / RATE - 1.0 - LATE_S
PITCH = 74


def heard_ms(tone: np.ndarray) -> float:
    """How late a tone is heard; noise at -80 dB lies under it."""
    noise = 1e-4 * np.random.default_rng(0).standard_normal(len(tone))
    groups: tuple[Group, ...] = groups_of(
        [ExpectedAttack(at_s=0.0, pitch=PITCH, weight=1.0, length_s=1.0)]
    )
    followed = follow(Sound(tone + noise, RATE, start_s=-1.0), groups[0], 0.0)
    found = heard_late(followed, 0.0, onset_db=10.0, reverberation_s=1.0)
    assert found is not None
    return 1000.0 * found[0]


@pytest.mark.parametrize("cents", [0.0, 100.0, 200.0])
def test_a_tone_is_heard_before_it_has_settled_at_its_pitch(cents):
    """It begins at once and glides up within 60 ms, as brass does."""
    off = cents / 1200.0 * np.clip(1.0 - T_S / 0.06, 0.0, 1.0)
    phase = 2.0 * np.pi * np.cumsum(pitch_to_hz(PITCH) * 2.0**-off) / RATE
    tone = sum(np.sin(number * phase) / number for number in range(1, 7))
    assert heard_ms(np.where(T_S >= 0.0, tone, 0.0)) == pytest.approx(1000.0 * LATE_S, abs=6.0)


def test_a_group_is_heard_where_it_first_passes_though_it_dips_once_more():
    """5 dB under its level for 30 ms, 12 for 100, then full: where it is 10 below is its start."""
    energy = np.select([T_S < 0.0, T_S < 0.03, T_S < 0.13], [0.0, 0.32, 0.065], 1.0)
    tone = np.sqrt(energy) * np.sin(2.0 * np.pi * pitch_to_hz(PITCH) * T_S)
    assert heard_ms(tone) == pytest.approx(1000.0 * LATE_S, abs=6.0)

"""Matching an insert that is longer than the coarse pass listens to."""

import numpy as np
import pytest

from retro.measuring.identify import ExpectedAttack, match_plan
from retro.units import pitch_to_hz

RATE = 16_000
TONE_S = 0.3
LATE_S = 0.05
BUSY_S = 5_000.0


class Tones:
    """A take that is never held whole; it remembers what was asked for."""

    rate = RATE

    def __init__(self, attacks):
        self.attacks = attacks
        self.asked_s = []

    def span(self, start_s, length_samples):
        end_s = start_s + length_samples / RATE
        self.asked_s.append((start_s, end_s))
        heard = np.zeros(length_samples)
        t_s = start_s + np.arange(length_samples) / RATE
        for attack in self.attacks:
            since_s = t_s - attack.at_s - LATE_S
            inside = (since_s >= 0.0) & (since_s < TONE_S)
            heard[inside] += np.sin(2 * np.pi * pitch_to_hz(attack.pitch) * since_s[inside])
        return heard


def attacks_at(*at_s):
    scale = (60, 64, 67, 62, 69, 65, 71)
    return [
        ExpectedAttack(at_s=at, pitch=scale[k % len(scale)], weight=1.0, length_s=TONE_S)
        for k, at in enumerate(at_s)
    ]


@pytest.mark.parametrize("longest_s", [300.0, 12.0])
def test_a_long_insert_is_matched_where_its_attacks_are_densest(monkeypatch, longest_s):
    """What is read, and so the memory, does not grow with the insert."""
    monkeypatch.setattr("retro.measuring.identify.MAX_HEARD_S", longest_s)
    busy_s = BUSY_S + np.cumsum([0.5, 0.7, 0.4, 0.9, 0.6, 0.5, 0.8, 0.7, 0.4, 0.6, 0.9, 0.5])
    attacks = attacks_at(0.0, 2_000.0, *busy_s, 9_000.0)
    take = Tones(attacks)
    match = match_plan(take, attacks)
    assert match.is_this_insert
    assert match.late_s == pytest.approx(LATE_S, abs=0.03)  # three steps; the fine pass follows
    first_s, last_s = min(s for s, _ in take.asked_s), max(e for _, e in take.asked_s)
    assert BUSY_S - 12.0 < first_s < last_s < busy_s[-1] + 12.0


def test_the_order_of_the_attacks_does_not_matter():
    attacks = attacks_at(*np.cumsum([0.5, 0.7, 0.4, 0.9, 0.6, 0.5, 0.8, 0.7]))
    forwards, backwards = (match_plan(Tones(a), a) for a in (attacks, attacks[::-1]))
    assert forwards == backwards

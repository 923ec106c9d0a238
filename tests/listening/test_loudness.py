"""All that the page switches between is equally loud by another's measure (pyloudnorm, BS.1770)."""

import numpy as np
import pyloudnorm
import pytest

from retro.listening.desk import Desk
from retro.listening.sound import SoundName
from tests.example import TARGET


@pytest.mark.parametrize("body", [b"{}", b'{"reverberation_s": 4.0, "onset_db": 6}'])
def test_another_meter_finds_the_three_sounds_equally_loud(body: bytes) -> None:
    desk = Desk(TARGET)
    sounds = [desk.sound(body, name) for name in SoundName]
    lowest = min(sound.lufs for sound in sounds)
    found = []
    for sound in sounds:
        gain = 10.0 ** ((lowest - sound.lufs) / 20.0)
        meter = pyloudnorm.Meter(sound.rate)
        found.append(meter.integrated_loudness(sound.sound.astype(np.float64) * gain))
    assert max(found) - min(found) < 0.1

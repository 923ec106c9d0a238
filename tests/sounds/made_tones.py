"""Tones with a known rise and fall, by the sound law."""

import numpy as np

from retro.model.sound import risen

RATE = 48_000


def made_tone(
    *,
    pitch_hz: float = 220.0,
    attack_s: float,
    decay_s: float,
    held_s: float,
    after_s: float = 1.5,
    is_struck: bool = False,
    rate: int = RATE,
) -> np.ndarray:
    """Return a tone as stereo sound, begun at its first frame and let go after `held_s`."""
    t_s = np.arange(round((held_s + after_s) * rate)) / rate
    fallen_s = t_s if is_struck else np.maximum(t_s - held_s, 0.0)
    amplitude = np.sqrt(risen(t_s, attack_s)) * 10.0 ** (-3.0 * fallen_s / decay_s)
    wave = sum(np.sin(2.0 * np.pi * pitch_hz * n * t_s + n) / n for n in (1, 2, 3))
    return np.repeat((0.1 * amplitude * wave)[:, np.newaxis], 2, axis=1)

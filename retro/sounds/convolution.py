"""Lays a room on a sound: each channel convolved with its own.

By overlap-save in blocks that do not depend on how many are worked out at once, so that the same
sound comes out on every machine.

Conventions
-----------
Sound is (frames, 2), float32.
"""

import numpy as np

from retro.render.wav import Sound32
from retro.sounds.players import PLAYERS

MIN_BLOCK = 2**15

FRESH = 1.5
"""Frames of a block that are new, at least, in lengths of the response: with more, transforms are
longer than they need be, with fewer there are more of them."""


def convolved(sound: Sound32, response: Sound32, frames: int) -> Sound32:
    """Return the first frames of a sound convolved with a response.

    What lies beyond the end is silence.
    """
    from scipy.fft import irfft, rfft  # noqa: PLC0415 (slow to import)

    history = response.shape[0] - 1
    size = max(1 << int((1.0 + FRESH) * response.shape[0]).bit_length(), MIN_BLOCK)
    spectrum = rfft(response.T, size)
    placed = np.zeros((frames, 2), dtype=np.float32)

    def fill(start: int) -> None:
        stop = min(start + size - history, frames)
        block = np.zeros((2, size), dtype=np.float32)
        first = max(start - history, 0)
        own = sound[first : start - history + size].T
        offset = first - (start - history)
        block[:, offset : offset + own.shape[1]] = own
        heard = irfft(rfft(block) * spectrum, size)
        placed[start:stop] = heard[:, history : history + stop - start].T

    PLAYERS.at_once(fill, range(0, frames, size - history))
    return placed

"""The preview made small enough for one page: half the bandwidth, 16 bits, FLAC.

FLAC, because every current browser decodes it and its samples stand where they stood: what is
heard in the page is exactly reversed by the page itself.
"""

import io

import numpy as np
import soundfile

from retro.render.preview import Preview
from retro.render.wav import Sound32
from retro.sheet.data import SheetAudio

MIN_RATE = 22_050
"""The page's rate is the preview's divided by a whole number, and not below this."""


def sheet_audio(preview: Preview) -> SheetAudio:
    """Encode target and flipped sound for the page."""
    factor = max(preview.rate // MIN_RATE, 1)
    rate = preview.rate // factor
    return SheetAudio(
        target=_flac(_decimated(preview.target, factor), rate),
        flipped=_flac(_decimated(preview.flipped, factor), rate),
        length_s=preview.target.shape[0] / preview.rate,
        window_at_s=preview.window_start_sample / preview.rate,
    )


def _decimated(sound: Sound32, factor: int) -> Sound32:
    """Lower the rate by a whole factor: the spectrum above the new limit is left out."""
    if factor == 1:
        return sound
    frames = -(-sound.shape[0] // factor)
    channels = np.ascontiguousarray(sound.T)
    spectrum = np.fft.rfft(channels, n=_quick_length(frames) * factor)
    kept = spectrum[:, : _quick_length(frames) // 2 + 1]
    lower = np.fft.irfft(kept, n=_quick_length(frames)) / factor
    return np.asarray(lower[:, :frames].T, dtype=np.float32)


def _quick_length(frames: int) -> int:
    """Return an even length at or above `frames` that a Fourier transform is quick at."""
    unit = 1 << max(frames.bit_length() - 4, 1)
    return -(-frames // unit) * unit


def _flac(sound: Sound32, rate: int) -> bytes:
    stream = io.BytesIO()
    soundfile.write(stream, np.ascontiguousarray(sound), rate, "PCM_16", format="FLAC")
    return stream.getvalue()

"""The preview made small enough for one page: half the bandwidth, 16 bits, FLAC.

FLAC, because every current browser decodes it and its samples stand where they stood: what is
heard in the page is exactly reversed by the page itself.
"""

import io

import numpy as np
import soundfile
import soxr

from retro.render.preview import Preview
from retro.render.wav import Sound32
from retro.sheet.data import SheetAudio

MIN_RATE = 22_050
"""The page's rate is the preview's divided by a whole number, and not below this."""


def sheet_audio(preview: Preview) -> SheetAudio:
    """Encode target and flipped sound for the page."""
    rate = preview.rate // max(preview.rate // MIN_RATE, 1)
    return SheetAudio(
        target=_flac(soxr.resample(preview.target, preview.rate, rate), rate),
        flipped=_flac(soxr.resample(preview.flipped, preview.rate, rate), rate),
        length_s=preview.target.shape[0] / preview.rate,
        window_at_s=preview.window_start_sample / preview.rate,
    )


def _flac(sound: Sound32, rate: int) -> bytes:
    stream = io.BytesIO()
    soundfile.write(stream, np.ascontiguousarray(sound), rate, "PCM_16", format="FLAC")
    return stream.getvalue()

"""The flipped phrase laid over a bounce of the song, at its place.

Conventions
-----------
Sound is (frames, channels), full scale 1. Frame 0 of a bounce is the song's first frame.
"""

import math
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
import soxr

from retro.errors import AudioError
from retro.render.loudness import TARGET_LUFS, Loudness, measure
from retro.render.preview import Preview
from retro.render.wav import Sound32, to_grid
from retro.units import db_to_amplitude, seconds_to_samples

DUCK_DB = -6.0
"""What the song is lowered by under the flipped phrase (our own choice)."""

DUCK_RAMP_S = 0.25
"""Length of the ramps down to it and up again."""

SILENT_DB = -60.0
"""Below this the flipped phrase counts as not there, beside its loudest frame."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlay:
    """The song with the flipped phrase in it.

    Parameters
    ----------
    rate
        Frames a second, as the preview's.
    sound
        Shape (frames, 2).
    phrase_start_sample
        Frame of the song at which the flipped sound starts, its pre-swell included; negative where
        the pre-swell would begin before the song does, and is cut.
    phrase_gain_db
        What the flipped sound got, to be as loud as the song.
    gain_db
        What the sum got, to stay below the highest true peak; 0 or less.
    """

    rate: int
    sound: Sound32 = field(repr=False)
    phrase_start_sample: int
    phrase_gain_db: float
    gain_db: float


def lay_over(
    preview: Preview,
    song: Sound32,
    song_rate: int,
    *,
    window_start_s: Fraction | float,
    duck_db: float = DUCK_DB,
) -> Overlay:
    """Return a bounce of the song with the flipped phrase laid into it.

    The bounce has one or two channels and any rate. The phrase's window begins at `window_start_s`
    of the song, which is lowered by `duck_db` under it; 0 leaves it.

    Raises
    ------
    AudioError
        If the bounce has more than two channels, or ends before the phrase begins.
    """
    under = bounce_at(song, song_rate, preview.rate)
    start = preview.song_start_samples(window_start_s)
    over = preview.flipped[max(-start, 0) :]
    first = max(start, 0)
    if first >= under.shape[0]:
        raise AudioError(
            "the bounce ends before the phrase begins",
            advice="bounce the song from its first bar, as long as the MIDI file",
        )
    phrase_gain_db = _match_db(measure(under.T, preview.rate), preview.loudness)
    frames = max(under.shape[0], first + over.shape[0])
    mix = np.zeros((frames, 2), dtype=np.float32)
    mix[: under.shape[0]] = under
    mix *= _ducking(over, first, frames, duck_db, preview.rate)[:, np.newaxis]
    mix[first : first + over.shape[0]] += over * np.float32(db_to_amplitude(phrase_gain_db))
    gain_db = min(measure(mix.T, preview.rate).peak_gain_db(), 0.0)
    return Overlay(
        rate=preview.rate,
        sound=to_grid(mix * np.float32(db_to_amplitude(gain_db))),
        phrase_start_sample=start,
        phrase_gain_db=phrase_gain_db,
        gain_db=gain_db,
    )


def bounce_at(song: Sound32, song_rate: int, rate: int) -> Sound32:
    """Return a bounce, (frames, 1) or (frames, 2), in stereo at another rate.

    Raises
    ------
    AudioError
        If it has more than two channels.
    """
    return _stereo(resampled(song, song_rate, rate))


def resampled(sound: Sound32, rate: int, wanted_rate: int) -> Sound32:
    """Return sound, (frames, channels), at another rate."""
    return sound if rate == wanted_rate else soxr.resample(sound, rate, wanted_rate)


def _match_db(song: Loudness, phrase: Loudness) -> float:
    """Gain that makes the phrase as loud as the song; a silent one is taken at -23 LUFS."""
    wanted = TARGET_LUFS if math.isinf(song.lufs) else song.lufs
    return 0.0 if math.isinf(phrase.lufs) else wanted - phrase.lufs


def _stereo(sound: Sound32) -> Sound32:
    channels = sound.shape[1]
    if channels > 2:
        raise AudioError(
            f"the bounce has {channels} channels", advice="bounce it in stereo or mono"
        )
    return np.broadcast_to(sound, (sound.shape[0], 2))


def _ducking(over: Sound32, first: int, frames: int, duck_db: float, rate: int) -> Sound32:
    """Return the song's gain: down where the phrase sounds, with ramps outside it."""
    loud = np.max(np.abs(over), axis=1)
    sounding = np.flatnonzero(loud > np.max(loud, initial=0.0) * db_to_amplitude(SILENT_DB))
    if not sounding.size:
        return np.ones(frames, dtype=np.float32)
    ramp = seconds_to_samples(DUCK_RAMP_S, rate)
    start, end = first + int(sounding[0]), first + int(sounding[-1])
    places = (start - ramp, start, end, end + ramp)
    gain_db = np.interp(np.arange(frames), places, (0.0, duck_db, duck_db, 0.0))
    return np.asarray(10.0 ** (gain_db / 20.0), dtype=np.float32)

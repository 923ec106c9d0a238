"""Reads spans of a take as one channel, forwards or turned round, never the whole file."""

import os
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Protocol

import numpy as np

from retro.errors import AudioError, LimitError
from retro.model.bounded import MAX_RATE, MIN_RATE
from retro.model.sound import FloatArray
from retro.units import samples_to_seconds, seconds_to_samples

BLOCK_SAMPLES = 1 << 16
"""Frames read at a time, so that many channels stay small."""

POLARITY_BLOCKS = 32
"""Places of a file at which its channels are compared."""


class Sounding(Protocol):
    """Anything that gives a span of a take."""

    @property
    def rate(self) -> int:
        """Frames a second."""

    @property
    def start_s(self) -> float:
        """Insert time of its first frame."""

    @property
    def end_s(self) -> float:
        """Insert time of its end."""

    def span(self, start_s: float, length_samples: int) -> FloatArray:
        """Return frames from an insert time on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardTake:
    """A recorded file, or a flipped one heard forwards again.

    Parameters
    ----------
    path
        WAV, RF64, W64, AIFF or FLAC.
    rate, length_samples, channels
        Of the file.
    phrase_start_samples
        Frame of the insert's bar 1 beat 1, in the order of playing.
    flipped
        Whether the file runs backwards; frames then count from its end.
    polarities
        1 or -1 for every channel; empty where there is one channel.
    """

    path: Path
    rate: int
    length_samples: int
    channels: int
    phrase_start_samples: int
    flipped: bool = False
    polarities: tuple[float, ...] = ()

    @property
    def end_s(self) -> float:
        """Insert time of the file's end."""
        return float(samples_to_seconds(self.length_samples - self.phrase_start_samples, self.rate))

    @property
    def start_s(self) -> float:
        """Insert time of the file's first frame."""
        return float(samples_to_seconds(-self.phrase_start_samples, self.rate))

    def span(self, start_s: float, length_samples: int) -> FloatArray:
        """Read frames from an insert time on, all channels as one; silence beyond the ends.

        A channel that runs against the first one (its polarity is inverted) is turned over before
        the mean is taken.

        Raises
        ------
        AudioError
            If the file cannot be decoded there, or holds a sample that is no number.
        """
        first = self.phrase_start_samples + seconds_to_samples(start_s, self.rate)
        heard = np.zeros(length_samples)
        low, high = max(first, 0), min(first + length_samples, self.length_samples)
        if low < high:
            heard[low - first : high - first] = self._read(low, high)
        return heard

    def _read(self, low: int, high: int) -> FloatArray:
        if not self.flipped:
            return _read_mono(self.path, low, high, self.polarities)
        ends = self.length_samples - high, self.length_samples - low
        turned = _read_mono(self.path, *ends, self.polarities)
        return turned[::-1]


def hear_take(
    path: Path,
    *,
    phrase_start_samples: int = 0,
    flipped_tail_samples: int | None = None,
    length_s: Fraction = Fraction(0),
) -> HeardTake:
    """Look at a recorded file.

    Parameters
    ----------
    phrase_start_samples
        Frame of the insert's bar 1 beat 1.
    flipped_tail_samples, length_s
        For a flipped clip: the frames before the phrase's end in it, and the phrase's length in
        seconds; the phrase start follows from them.

    Raises
    ------
    AudioError
        If it is no audio file that libsndfile reads.
    LimitError
        If it claims a rate that no take has.
    """
    import soundfile  # noqa: PLC0415 (takes 0.1 s that placing need not wait for)

    if not path.is_file():
        raise AudioError("there is no such file", where=path)
    try:
        info = soundfile.info(os.fsencode(path))
    except (soundfile.LibsndfileError, RuntimeError) as fault:
        raise undecodable(path, fault) from fault
    if not MIN_RATE <= info.samplerate <= MAX_RATE:
        raise LimitError(
            f"claims {info.samplerate} frames a second; takes have {MIN_RATE} to {MAX_RATE}",
            where=path,
        )
    start = phrase_start_samples
    if flipped_tail_samples is not None:
        start = info.frames - flipped_tail_samples - seconds_to_samples(length_s, info.samplerate)
    return HeardTake(
        path=path,
        rate=info.samplerate,
        length_samples=info.frames,
        channels=info.channels,
        phrase_start_samples=start,
        flipped=flipped_tail_samples is not None,
        polarities=_polarities(path, info.frames) if info.channels > 1 else (),
    )


def undecodable(path: Path, fault: Exception) -> AudioError:
    """Return the refusal of a file that may hold sound, which cannot be listened to.

    libsndfile 1.2 opens no RF64 file that has a chunk of odd length before its samples.
    """
    words = str(fault).rpartition("': ")[2].rstrip(".")
    return AudioError(
        f"not an audio file that can be decoded here ({words})",
        where=path,
        advice="if it plays elsewhere, save it there as plain WAV, W64 or FLAC and give that",
    )


def _polarities(path: Path, length_samples: int) -> tuple[float, ...]:
    """Tell which channels run against the first one, by blocks from all over the file."""
    import soundfile  # noqa: PLC0415 (see hear_take)

    try:
        with soundfile.SoundFile(os.fsencode(path)) as file:
            products = np.zeros(file.channels)
            for low in range(0, length_samples, max(length_samples // POLARITY_BLOCKS, 1)):
                file.seek(low)
                block = file.read(BLOCK_SAMPLES // 4, dtype="float64", always_2d=True)
                products += np.nan_to_num(block[:, :1] * block).sum(axis=0)
    except (soundfile.LibsndfileError, RuntimeError) as fault:
        raise undecodable(path, fault) from fault
    return tuple(-1.0 if product < 0.0 else 1.0 for product in products)


def _read_mono(path: Path, low: int, high: int, polarities: tuple[float, ...]) -> FloatArray:
    import soundfile  # noqa: PLC0415 (see hear_take)

    heard = np.empty(high - low)
    try:
        with soundfile.SoundFile(os.fsencode(path)) as file:
            file.seek(low)
            for first in range(0, high - low, BLOCK_SAMPLES):
                wanted = min(BLOCK_SAMPLES, high - low - first)
                block = file.read(wanted, dtype="float64", always_2d=True)
                if len(block) < wanted:
                    raise AudioError(f"ends before its frame {low + first + wanted}", where=path)
                turned = block * polarities if polarities else block
                heard[first : first + wanted] = turned.mean(axis=1)
    except (soundfile.LibsndfileError, RuntimeError) as fault:
        raise undecodable(path, fault) from fault
    if not np.isfinite(heard).all():
        raise AudioError("holds samples that are no numbers", where=path)
    return heard

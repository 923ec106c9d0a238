"""Audio files in and out.

Conventions
-----------
Sound is (frames, channels), full scale 1. What is written as 24 bits lies on the grid of 24-bit
samples first (`to_grid`), and is written as integers, so that nothing is rounded twice.
"""

import io
import os
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile

from retro.errors import AudioError, LimitError, WriteError
from retro.model.bounded import MAX_RATE, MIN_RATE
from retro.model.settings import SoundFormat
from retro.render.ogg import with_serial

Sound32 = npt.NDArray[np.float32]
RealArray = npt.NDArray[np.floating[Any]]

FULL_SCALE_24 = 2**23
OGG_SERIAL = 1

MAX_READ_SAMPLES = 400_000_000
"""Most frames times channels of a sound that is read whole: 69 minutes in stereo at 48 kHz."""

BLOCK = 2**16
"""Frames that are rounded at once: a long sound needs no second copy of itself."""


def to_grid(sound: RealArray) -> Sound32:
    """Round samples to the grid of 24 bits, and keep them within it."""
    return np.asarray(_steps(sound) / FULL_SCALE_24, dtype=np.float32)


def _steps(sound: RealArray) -> RealArray:
    """Return samples as whole steps of 24 bits."""
    steps = sound * FULL_SCALE_24
    np.rint(steps, out=steps)
    return np.clip(steps, -FULL_SCALE_24, FULL_SCALE_24 - 1, out=steps)


def write_audio(
    path: Path, sound: RealArray, rate: int, sound_format: SoundFormat = SoundFormat.WAV
) -> None:
    """Write sound, shape (frames, channels), to a file; the same samples give the same bytes.

    Formats are 24-bit WAV or FLAC, and OGG Vorbis. The folder exists; an existing file is replaced.

    Raises
    ------
    WriteError
        If the file cannot be written whole.
    """
    if sound_format.is_lossless:
        _write_lossless(path, sound, rate, sound_format)
        return
    stream = io.BytesIO()
    with soundfile.SoundFile(stream, "w", rate, sound.shape[1], "VORBIS", format="OGG") as file:
        # In blocks: libsndfile 1.2 keeps what it is given at once on its stack, and crashes.
        for start in range(0, sound.shape[0], BLOCK):
            block = sound[start : start + BLOCK]
            file.write(np.ascontiguousarray(block, dtype=np.float32))
    path.write_bytes(with_serial(stream.getvalue(), OGG_SERIAL))


def _write_lossless(path: Path, sound: RealArray, rate: int, sound_format: SoundFormat) -> None:
    kind = sound_format.value.upper()
    try:
        with soundfile.SoundFile(
            os.fsencode(path), "w", rate, sound.shape[1], "PCM_24", format=kind
        ) as file:
            for start in range(0, sound.shape[0], BLOCK):
                file.write(_steps(sound[start : start + BLOCK]).astype(np.int32) << 8)
        whole = soundfile.info(os.fsencode(path)).frames == sound.shape[0]
    # The library says that a disk is full by an error of its own, by a short count, or not at all.
    except (soundfile.LibsndfileError, AssertionError):
        whole = False
    if not whole:
        raise WriteError(
            "the sound could not be written whole", where=path.name, advice="is the disk full?"
        )


def read_audio(path: Path) -> tuple[Sound32, int]:
    """Return the sound of a whole file, shape (frames, channels), full scale 1, and its rate.

    Raises
    ------
    AudioError
        If there is no such file, or no sound in it.
    LimitError
        See `refuse_unreadable`.
    """
    refuse_unreadable(path)
    try:
        sound, rate = soundfile.read(os.fsencode(path), dtype="float32", always_2d=True)
    except (soundfile.SoundFileError, RuntimeError) as fault:
        raise _unreadable(path) from fault
    if not sound.shape[0]:
        raise AudioError("the file holds no sound", where=path)
    if not np.all(np.isfinite(sound)):
        raise AudioError("the file holds samples that are no numbers", where=path)
    return sound, int(rate)


def refuse_unreadable(path: Path) -> None:
    """Refuse a file of which the head says that it cannot be read whole.

    Raises
    ------
    AudioError
        If there is no such file, or it is no audio file.
    LimitError
        If it holds too much, or claims a rate that no recording has.
    """
    if not path.is_file():
        raise AudioError("there is no such file", where=path)
    try:
        head = soundfile.info(os.fsencode(path))
    except (soundfile.SoundFileError, RuntimeError) as fault:
        raise _unreadable(path) from fault
    if not MIN_RATE <= head.samplerate <= MAX_RATE:
        raise LimitError(
            f"claims {head.samplerate} frames a second; bounces have {MIN_RATE} to {MAX_RATE}",
            where=path,
        )
    if head.frames * head.channels > MAX_READ_SAMPLES:
        raise LimitError(
            f"holds {head.frames * head.channels} samples, more than {MAX_READ_SAMPLES}",
            where=path,
            advice="bounce fewer channels, at a lower rate",
        )


def _unreadable(path: Path) -> AudioError:
    return AudioError(
        "this is not an audio file that can be read",
        where=path,
        advice="WAV, AIFF, FLAC, OGG and MP3 can",
    )

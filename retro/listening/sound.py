"""What the page plays: three sounds of the same phrase, and the song's bounce around it.

Conventions
-----------
Sound is (frames, 2), float32, on the grid of 24-bit samples where a build writes it too, so that
the page plays what the build would write, to the bit.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from itertools import count
from pathlib import Path

from retro.errors import LimitError
from retro.listening.engine import Engine
from retro.model.performance import Performance, Window
from retro.plan.compose import Plan
from retro.render.loudness import measure
from retro.render.over import bounce_at
from retro.render.wav import Sound32, read_audio
from retro.sounds.renderer import Still, always
from retro.units import seconds_to_samples

MAX_FRAMES = 14_400_000
"""Longest window of a page: 5 minutes at 48 kHz, 115 MB a sound in a browser."""

SONG_BEFORE_S = 16.0
"""Song that is heard before the window begins, where there is so much."""

SONG_AFTER_S = 8.0
"""Song that is heard after it."""

_BOUNCES = count(1)


class SoundName(StrEnum):
    """What the page switches between.

    ``target``: what the listener shall hear. ``plain``: the target played backwards as it stands,
    and turned round. ``flipped``: the compensated performance, turned round.
    """

    TARGET = "target"
    PLAIN = "plain"
    FLIPPED = "flipped"


@dataclass(frozen=True, slots=True, kw_only=True)
class PageSound:
    """One sound for the page.

    Parameters
    ----------
    tag
        Equal tags are equal sounds; no two sounds of an engine share one.
    rate
        Frames a second.
    sound
        Shape (frames, 2).
    window_start_sample
        Its frame at which the window starts; negative where the sound begins later.
    lufs
        Its programme loudness, ``-inf`` for silence.
    """

    tag: str
    rate: int
    sound: Sound32 = field(repr=False)
    window_start_sample: int
    lufs: float


def refuse_too_long(window: Window, rate: int) -> None:
    """Refuse a window that is too long for a page.

    Raises
    ------
    LimitError
        If it is longer than `MAX_FRAMES`.
    """
    length = seconds_to_samples(window.length_s, rate)
    if length > MAX_FRAMES:
        raise LimitError(
            f"the window is {float(window.length_s):.0f} s long; a page takes "
            f"{MAX_FRAMES / rate:.0f} s at {rate} frames a second",
            advice="choose fewer bars with --bars",
        )


def page_sound(
    engine: Engine, performance: Performance, name: SoundName, still: Still = always
) -> PageSound:
    """Return one of the three sounds of a performance, rendered if it was not.

    Raises
    ------
    RetroError, GivenUpError
        See `retro.sounds.renderer.Renderer.preview`.
    """
    if name is SoundName.PLAIN:
        performance = engine.plain(performance)
    rendering = engine.renderer.rendering(performance, still)
    preview = rendering.preview
    is_target = name is SoundName.TARGET
    return PageSound(
        tag=f"{'target' if is_target else 'flipped'}-{rendering.number}",
        rate=preview.rate,
        sound=preview.target if is_target else preview.flipped,
        window_start_sample=preview.window_start_sample,
        lufs=(preview.target_loudness if is_target else preview.loudness).lufs,
    )


class Bounce:
    """A bounce of the song, read once, for what is played beside it at that rate.

    Raises
    ------
    RetroError
        If it cannot be read, or has more than two channels.
    """

    def __init__(self, path: Path, rate: int) -> None:
        self._sound = bounce_at(*read_audio(path), rate)
        self._number = next(_BOUNCES)
        self._rate = rate
        self._lufs = measure(self._sound.T, rate).lufs

    def around(self, plan: Plan) -> PageSound:
        """Return the song before, under and after a plan's window."""
        start = seconds_to_samples(plan.window.start_s, self._rate)
        end = seconds_to_samples(plan.window.end_s, self._rate)
        first = max(start - seconds_to_samples(SONG_BEFORE_S, self._rate), 0)
        last = end + seconds_to_samples(SONG_AFTER_S, self._rate)
        return PageSound(
            tag=f"song-{self._number}-{first}-{last}",
            rate=self._rate,
            sound=self._sound[first:last],
            window_start_sample=start - first,
            lufs=self._lufs,
        )

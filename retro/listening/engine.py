"""From settings and a target to plan and sound; what was made for the last questions is kept.

The page asks it with every move, `retro build --watch` with every save. A plan is made again where
target or settings differ, sound only where what is heard differs: another anchor, threshold of
audibility, letter or paper renders nothing.

A bank of sounds plays every part alone, and only parts that changed are played again. The sine
preview adds up all tones in one transform: part by part it would take four to five times as long as
all at once (0.72 against 0.14 s for the fifteen parts of the example), so it is rendered whole.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import count
from pathlib import Path

from retro.model.instruments import Player
from retro.model.latest import Latest
from retro.model.performance import Performance
from retro.model.phrase import Phrase
from retro.model.settings import BeatGroups, Compensate, Settings
from retro.model.sound import Room
from retro.placement.compare import compensated
from retro.plan.compose import PerformedSong, Plan, perform_song, plan_performed
from retro.read.song import Song
from retro.read.target import read_song
from retro.render.preview import Preview
from retro.sounds.renderer import Renderer, Still, always

MAX_PLANS = 6
"""Plans that are kept, the latest: those of two pages, and one step back."""

MAX_SOUNDS = 4
"""Renderings that are kept: compensated and plain, of two pages."""

MAX_KEPT_BYTES = 600_000_000
"""What they may take together, the latest excepted."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """What tells one state of a file from another."""

    inode: int
    size: int
    time_ns: int

    @classmethod
    def of(cls, path: Path) -> "Stamp | None":
        """Return the stamp of a file; None where there is none."""
        try:
            status = path.stat()
        except OSError:
            return None
        return cls(status.st_ino, status.st_size, status.st_mtime_ns)


def sounds_stamps(settings: Settings) -> tuple[Stamp | None, ...]:
    """Return the stamps of the bank of sounds and of the learned sounds that settings name."""
    named = (settings.soundfont, settings.sounds)
    return tuple(None if path is None else Stamp.of(Path(path)) for path in named)


_Asked = tuple[str, Settings, tuple[Stamp | None, ...]]
"""What a plan is made of: the hash of a song, settings, and the stamps of their sounds."""


def _asked(song: Song, settings: Settings) -> _Asked:
    return song.sha256, settings, sounds_stamps(settings)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rendering:
    """A preview, and a number that no other rendering of the engine has."""

    number: int
    preview: Preview

    @property
    def bytes(self) -> int:
        """What its sound takes, the target's included once it is made."""
        return 2 * self.preview.played.nbytes


@dataclass(frozen=True, slots=True, kw_only=True)
class _Heard:
    """All of a performance that is heard in its preview, what a move changes first.

    Two are compared in that order, and phrases that are equal take long to compare.
    """

    room: Room
    spans: tuple[tuple[int, int, int, float, float, float, float, float, float], ...]
    target: Phrase
    insert: Phrase
    players: tuple[Player, ...]
    rate: int
    seed: int
    soundfont: str | None
    stamps: tuple[Stamp | None, ...]

    @classmethod
    def of(cls, performance: Performance) -> "_Heard":
        settings = performance.settings
        return cls(
            target=performance.target,
            insert=performance.insert,
            players=performance.players,
            spans=tuple(
                (
                    note.part,
                    note.target.pitch,
                    note.target.velocity,
                    note.target_on_s,
                    note.target_off_s,
                    note.played_on_s,
                    note.played_off_s,
                    note.attack_s,
                    note.decay_s,
                )
                for note in performance.notes
            ),
            room=settings.room,
            rate=settings.rate,
            seed=settings.seed,
            soundfont=settings.soundfont,
            stamps=sounds_stamps(settings),
        )


class KeptRenderer(Renderer):
    """Renders previews, and keeps the latest whole."""

    def __init__(self) -> None:
        super().__init__()
        self._renderings: Latest[_Heard, Rendering] = Latest(
            MAX_SOUNDS, lambda rendering: rendering.bytes, MAX_KEPT_BYTES
        )
        self._numbers = count(1)

    def preview(self, performance: Performance, still: Still = always) -> Preview:
        """Return the preview of a performance, rendered if it is not one of the latest.

        Raises
        ------
        RetroError
            See `Renderer.preview`.
        """
        return self.rendering(performance, still).preview

    def rendering(self, performance: Performance, still: Still = always) -> Rendering:
        """Return the preview with its number."""
        render = super().preview
        return self._renderings.get(
            _Heard.of(performance),
            lambda: Rendering(number=next(self._numbers), preview=render(performance, still)),
        )


class Engine:
    """Makes plans and sound of one target; it may be asked from several threads.

    The target, MIDI or MusicXML, is read again once it is saved. Its `renderer` makes the sound;
    `hearing` is told how far a bank was listened to.
    """

    def __init__(self, target: Path, hearing: Callable[[int, int], None] | None = None) -> None:
        self.target = target
        self._hearing = hearing
        self._songs: Latest[tuple[Stamp | None, tuple[BeatGroups, ...]], Song] = Latest(1)
        self._performed: Latest[_Asked, PerformedSong] = Latest(MAX_PLANS)
        self._plans: Latest[_Asked, Plan] = Latest(MAX_PLANS)
        self._plain: Latest[Performance, Performance] = Latest(MAX_SOUNDS)
        self.renderer = KeptRenderer()

    def song(self, settings: Settings) -> Song:
        """Return the target as it was last saved.

        Raises
        ------
        RetroError
            If it cannot be read.
        """
        key = (Stamp.of(self.target), settings.meter_groups)
        return self._songs.get(
            key, lambda: read_song(self.target, meter_groups=settings.meter_groups)
        )

    def performed(self, settings: Settings) -> PerformedSong:
        """Return how the target is performed, which is known before all of its plan is.

        Raises
        ------
        RetroError
            If the target cannot be read or planned with these settings.
        """
        song = self.song(settings)
        return self._performed.get(
            _asked(song, settings), lambda: perform_song(song, settings, self._hearing)
        )

    def plan(self, settings: Settings) -> Plan:
        """Return the plan of the target, as `retro.plan.compose.plan_file` makes it.

        Raises
        ------
        RetroError
            If the target cannot be read or planned with these settings.
        """
        performed = self.performed(settings)
        asked = _asked(performed.song, settings)
        return self._plans.get(asked, lambda: plan_performed(performed))

    def plain(self, performance: Performance) -> Performance:
        """Return the performance of the same target without any compensation."""
        return self._plain.get(performance, lambda: compensated(performance, Compensate.NONE))

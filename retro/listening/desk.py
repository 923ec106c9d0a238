"""Answers what the page asks: its moves in, numbers, sound and kept settings out."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from retro.errors import AudioError
from retro.listening.ahead import Ahead
from retro.listening.engine import Engine, Stamp, sounds_stamps
from retro.listening.keep import keep
from retro.listening.moves import Flags, moved_settings, read_moves
from retro.listening.sound import Bounce, PageSound, SoundName, page_sound, refuse_too_long
from retro.listening.view import plain_view, plan_view
from retro.model.latest import Latest
from retro.model.settings import Settings
from retro.plan.compose import PerformedSong, Plan
from retro.read.settings import beside


class Desk:
    """One target, MIDI or MusicXML, on the page, its settings and the bounce of its song.

    Without a settings file it is the one beside the target, which may come and go; `flags` stand
    before those of the file. `hearing` is told how far a bank was listened to.

    Raises
    ------
    RetroError
        If target, settings or bounce cannot be read or planned.
    """

    def __init__(
        self,
        target: Path,
        settings: Path | None = None,
        flags: Flags = (),
        hearing: Callable[[int, int], None] | None = None,
    ) -> None:
        self._engine = Engine(target, hearing)
        self._ahead = Ahead()
        self._chosen = settings
        self._flags = flags
        self._bounces: Latest[tuple[str, Stamp | None, int], Bounce] = Latest(1)
        self._settings = Settings()
        self._bounce(self._plan(b"{}"))

    @property
    def settings_path(self) -> Path | None:
        """The settings file, where there is one."""
        return self._chosen if self._chosen is not None else beside(self._engine.target)

    def state(self, _: bytes) -> dict[str, Any]:
        """Return what tells the page that files were saved meanwhile."""
        over = self._settings.over
        own = (self._engine.target, self._kept_path, *([] if over is None else [Path(over)]))
        stamps = (*map(Stamp.of, own), *sounds_stamps(self._settings))
        return {"files": str(stamps)}

    def plan(self, body: bytes, hears: SoundName = SoundName.FLIPPED) -> dict[str, Any]:
        """Return what the page shows of its moves; what it `hears` is begun meanwhile."""
        settings = self._moved(body)
        performance = self._performed(settings).performance
        self._ahead.begin(lambda still: page_sound(self._engine, performance, hears, still))
        plan = self._engine.plan(settings)
        return {
            **plan_view(plan),
            "has_song": plan.performance.settings.over is not None,
            "target": self._engine.target.name,
            "kept_in": self._kept_path.name,
        }

    def errors(self, body: bytes) -> dict[str, Any]:
        """Return how far off the plain reversal lands."""
        plan = self._plan(body)
        return plain_view(plan, self._engine.plain(plan.performance))

    def sound(self, body: bytes, name: SoundName) -> PageSound:
        """Return one of the three sounds of the moves."""
        performance = self._performed(self._moved(body)).performance
        return page_sound(self._engine, performance, name)

    def song(self, body: bytes) -> PageSound:
        """Return the song around the window.

        Raises
        ------
        AudioError
            If there is no bounce.
        """
        plan = self._plan(body)
        bounce = self._bounce(plan)
        if bounce is None:
            raise AudioError("no bounce of the song was named", advice="name it with --over")
        return bounce.around(plan)

    def keep(self, body: bytes) -> dict[str, Any]:
        """Write the moves into the settings file; return what is said of it.

        Raises
        ------
        RetroError
            If it cannot be done without touching what a person wrote there.
        """
        path = self._kept_path
        lines = keep(path, self._engine.target, self._flags, read_moves(body))
        if not lines:
            return {"said": "Nothing is moved, so nothing was written."}
        return {"said": f"Written into {path.name}: {'; '.join(lines)}."}

    def _bounce(self, plan: Plan) -> Bounce | None:
        """Return the bounce of the song, read again once it is saved."""
        settings = plan.performance.settings
        if settings.over is None:
            return None
        path = Path(settings.over)
        key = (settings.over, Stamp.of(path), settings.rate)
        return self._bounces.get(key, lambda: Bounce(path, settings.rate))

    @property
    def _kept_path(self) -> Path:
        return self.settings_path or self._engine.target.with_suffix(".toml")

    def _moved(self, body: bytes) -> Settings:
        return moved_settings(self.settings_path, self._flags, read_moves(body))

    def _performed(self, settings: Settings) -> PerformedSong:
        performed = self._engine.performed(settings)
        refuse_too_long(performed.window, settings.rate)
        self._settings = settings
        return performed

    def _plan(self, body: bytes) -> Plan:
        settings = self._moved(body)
        self._performed(settings)
        return self._engine.plan(settings)

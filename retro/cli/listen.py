"""`retro listen`: settings tried by ear, on a page on this machine."""

import os
import sys
from dataclasses import dataclass
from typing import Annotated

import typer

from retro.cli.hearing import hearing_told
from retro.cli.options import AudibleDb, OnsetDb, SettingFlags, Settings, Target, spread
from retro.cli.refusing import refuse
from retro.cli.tables import print_lines, tell
from retro.errors import SettingsError

DISPLAYS = ("DISPLAY", "WAYLAND_DISPLAY")
"""What names a screen, on systems that have none by nature."""


@dataclass(frozen=True, kw_only=True)
class ListenFlags(SettingFlags):
    """All settings that `listen` takes as flags."""

    onset_db: OnsetDb = None
    audible_db: AudibleDb = None
    over: Annotated[str | None, typer.Option(help="Bounce of the song to hear the phrase in.")] = (
        None
    )
    soundfont: Annotated[
        str | None,
        typer.Option(help="Bank of sounds (.sf2, .sf3) that plays, instead of sines."),
    ] = None
    sounds: Annotated[str | None, typer.Option(help="Figures that `retro learn` wrote.")] = None


@spread
def listen(
    target: Target,
    settings: Settings = None,
    *,
    flags: ListenFlags,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port; 0 for a free one.")] = 0,
    show: Annotated[
        bool, typer.Option("--show/--no-show", help="Open the page in the browser.")
    ] = True,
) -> None:
    """Try settings by ear: a page on this machine, until it is stopped with Ctrl-C.

    It plays the target, its plain reversal and the compensated flip, alone or over the song, while
    settings are moved; a button writes them into the settings file.
    """
    from retro.listening.desk import Desk
    from retro.listening.server import ListeningServer

    given = {key: value for key, value in flags.by_key().items() if value is not None}
    desk = Desk(target, settings, tuple(given.items()), hearing_told(quiet=False))
    try:
        server = ListeningServer(desk, port, refuse)
    except OSError as fault:
        raise SettingsError(
            f"cannot be had: {fault.strerror}", where=f"port {port}", advice="leave --port out"
        ) from None
    with server:
        print_lines([server.address])
        tell("open this address in a browser of this machine; stop with Ctrl-C")
        if show:
            _show(server.address)
        server.serve_forever(poll_interval=0.1)


def _show(address: str) -> None:
    """Open an address, unless only a browser could that takes the terminal."""
    import webbrowser

    has_windows = sys.platform in ("darwin", "win32") or any(map(os.environ.get, DISPLAYS))
    if has_windows:
        webbrowser.open(address)

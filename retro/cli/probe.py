"""`retro probe`: single tones of the target's players, for a sampler to play."""

from pathlib import Path
from typing import Annotated

import typer

from retro.cli.options import SettingFlags, Settings, Target, spread
from retro.cli.tables import tell


@spread
def probe(
    target: Target,
    out: Annotated[Path, typer.Option(help="MIDI file to write.")],
    settings: Settings = None,
    *,
    flags: SettingFlags,
) -> None:
    """Write single tones of every player for your sampler to play: `retro learn` listens to them.

    Bounce it dry, alone and from its first bar, with the sounds that play the mock-up.
    """
    from dataclasses import replace

    from retro.cli.new_file import write_new
    from retro.plan.compose import plan_file
    from retro.read.settings import beside, load_settings
    from retro.sounds.probe import length_s, probe_midi, read_probe

    loaded = load_settings(settings or beside(target), flags.by_key())
    loaded = replace(loaded, soundfont=None, sounds=None)
    write_new(out, probe_midi(plan_file(target, loaded).performance))
    tones = read_probe(out)
    players = len({tone.player for tone in tones})
    tell(f"{out}: {len(tones)} tones of {players} players, {length_s(tones):.0f} s; bounce it dry")

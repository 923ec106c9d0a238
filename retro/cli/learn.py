"""`retro learn`: attack and decay of every player out of a bounce of the probe."""

from pathlib import Path
from typing import Annotated

import typer

from retro.cli.options import DirectToReverberantDb, ReverberationS
from retro.cli.tables import tell


def learn(
    bounce: Annotated[Path, typer.Argument(help="What the sampler made of the probe: a WAV.")],
    probe: Annotated[Path, typer.Option(help="The probe that was bounced.")],
    out: Annotated[Path, typer.Option(help="File to write: TOML for `retro build --sounds`.")],
    reverberation_s: ReverberationS = None,
    direct_to_reverberant_db: DirectToReverberantDb = None,
) -> None:
    """Measure how each player's sounds rise and fall, for `retro build --sounds`.

    Where the bounce has a room, say which; its share is taken off.
    """
    from retro.cli.new_file import write_new
    from retro.model.sound import Room
    from retro.read.settings import load_settings
    from retro.render.wav import read_audio
    from retro.sounds.learned_file import sounds_toml
    from retro.sounds.learning import learn as learned_from
    from retro.sounds.probe import read_probe

    flags = {
        "reverberation_s": reverberation_s,
        "direct_to_reverberant_db": direct_to_reverberant_db,
    }
    room: Room | None = (
        load_settings(None, flags).room
        if any(value is not None for value in flags.values())
        else None
    )
    tones = read_probe(probe)
    sound, rate = read_audio(bounce)
    learned = learned_from(sound, rate, tones, room, name=str(bounce))
    write_new(out, sounds_toml(learned, bounce.name))
    for figures in learned.players:
        tell(
            f"{figures.name}: attack {1000.0 * figures.attack_s:.0f} ms, "
            f"± {1000.0 * figures.attack_spread_s:.0f}; decay {figures.decay_s:.2f} s, "
            f"± {figures.decay_spread_s:.2f}"
        )
    for name in learned.unheard:
        tell(f"{name}: not heard well enough; its usual figures hold")
    tell(f"{out}: {len(learned.players)} players; the probe begins at {learned.start_s:.3f} s")

"""`retro learn`: attack and decay of each player out of a bounce of the probe or out of a take."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from retro.cli.microphones import microphones_in
from retro.cli.options import DirectToReverberantDb, Mic, PhraseStart, ReverberationS
from retro.cli.tables import tell
from retro.errors import SettingsError, TakeError

if TYPE_CHECKING:
    from retro.model.sound import Room
    from retro.sounds.take_figures import Stated
    from retro.sounds.take_learning import LearnedTake, TakePlayer

Flags = dict[str, float | None]
"""What is told of the room."""


def learn(
    files: Annotated[
        list[Path],
        typer.Argument(
            help="What the sampler made of the probe; or the microphones of a take, or its folder."
        ),
    ],
    out: Annotated[Path, typer.Option(help="File to write: TOML for `retro build --sounds`.")],
    probe: Annotated[Path | None, typer.Option(help="The probe that was bounced.")] = None,
    plan: Annotated[
        Path | None, typer.Option(help="plan.json of the pack, where people played it.")
    ] = None,
    phrase_start: PhraseStart = 0,
    mic: Mic = None,
    unheard: Annotated[
        bool,
        typer.Option("--unheard", help="Do not listen whether the insert lies where it is told."),
    ] = False,
    reverberation_s: ReverberationS = None,
    direct_to_reverberant_db: DirectToReverberantDb = None,
) -> None:
    """Measure how each player's sounds rise and fall, for `retro build --sounds`.

    Out of a bounce of `retro probe`, or with --plan out of a take of the insert, of people. Where
    the bounce has a room, say which; its share is taken off. The room of a take is the plan's
    unless you tell it.
    """
    told: Flags = {
        "reverberation_s": reverberation_s,
        "direct_to_reverberant_db": direct_to_reverberant_db,
    }
    if plan is not None and probe is None:
        _learn_take(files, plan, out, phrase_start, mic or [], told, unheard=unheard)
        return
    if probe is None or plan is not None:
        raise SettingsError(
            "figures are learned of a probe or of a take",
            advice="give --probe probe.mid with its bounce, or --plan plan.json with a take",
        )
    if phrase_start or mic or unheard or len(files) > 1:
        raise SettingsError(
            "--phrase-start, --mic, --unheard and several files belong to a take",
            advice="give one bounce with --probe",
        )
    _learn_bounce(files[0], probe, out, told)


def _learn_bounce(bounce: Path, probe: Path, out: Path, told: Flags) -> None:
    from retro.cli.new_file import refuse_old, write_new
    from retro.render.wav import read_audio
    from retro.sounds.learned_file import sounds_toml
    from retro.sounds.learning import learn as learned_from
    from retro.sounds.probe import read_probe

    refuse_old(out)
    room = _room(told)
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


def _room(told: Flags) -> "Room | None":
    """Return the room that is told, what is not told of it as the settings have it."""
    from retro.read.settings import load_settings

    is_told = any(value is not None for value in told.values())
    return load_settings(None, told).room if is_told else None


def _learn_take(
    files: list[Path],
    plan: Path,
    out: Path,
    phrase_start: int,
    mic: list[str],
    told: Flags,
    *,
    unheard: bool,
) -> None:
    from retro.cli.new_file import refuse_old, write_new
    from retro.read.plan_file import read_plan
    from retro.sounds.learned_file import people_toml
    from retro.sounds.take_learning import learn_take
    from retro.takes.common_range import take_paths

    refuse_old(out)
    _room(told)  # refuses what is told wrongly; what is not told is the plan's
    read = read_plan(plan)
    microphones = microphones_in(take_paths(files), read, phrase_start, mic)
    try:
        learned = learn_take(microphones, read, **told, unheard=unheard)
    except TakeError as refusal:
        more = "" if unheard else "; --unheard learns all the same"
        advice = f"{refusal.advice or 'check the file'}{more}"
        raise TakeError(refusal.what, where=refusal.where, advice=advice) from refusal
    for line in _heard(learned):
        tell(line)
    known = [player for player in learned.players if player.attack or player.decay]
    if not known:
        raise TakeError(
            "nothing can be learned of anybody in this take",
            where=files[0],
            advice="give the sections' own microphones, or a take with more rests",
        )
    write_new(out, people_toml(learned, files[0].name))
    tell(f"{out}: {len(known)} of {len(learned.players)} players, for paper")


def _heard(learned: "LearnedTake") -> Iterator[str]:
    """Yield what is said of a take: where it lies, then every player."""
    for one in learned.microphones:
        if one.doubt is not None:
            yield f"note: {one.name}: {one.doubt}"
        else:
            yield (
                f"{one.name}: the insert is heard there, {one.over_chance:.1f} deviations above "
                f"shuffled pitches, {1000.0 * one.late_s:+.0f} ms late"
            )
    yield from (f"note: left out: {why}" for why in learned.left_out)
    for player in learned.players:
        yield f"{player.name}: {'; '.join(_said(player))}"


def _said(player: "TakePlayer") -> Iterator[str]:
    if player.attack is not None:
        yield f"attack {_ms(player.attack)}"
    if player.decay is not None:
        stated = player.decay
        yield f"decay {stated.figure_s:.2f} s, ± {stated.spread_s:.2f}, of {stated.notes} notes"
    yield from (f"no {why}" for why in player.unknown)


def _ms(stated: "Stated") -> str:
    return (
        f"{1000.0 * stated.figure_s:.0f} ms, ± {1000.0 * stated.spread_s:.0f}, "
        f"of {stated.notes} notes"
    )

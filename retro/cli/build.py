"""`retro build`: the whole pack for a target phrase."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from retro.cli.findings import MAX_LINES, told, verdict
from retro.cli.hearing import hearing_told
from retro.cli.options import (
    AudibleDb,
    Everything,
    FrameRate,
    OnsetDb,
    Quiet,
    SettingFlags,
    Settings,
    Target,
    spread,
)
from retro.cli.tables import tell, teller
from retro.cli.watching import Watched
from retro.errors import SettingsError, WriteError
from retro.model.letters import letter_after
from retro.model.wording import listed

if TYPE_CHECKING:
    from retro.listening.engine import Engine
    from retro.model.placement import Placement
    from retro.pack.folder import NewPack
    from retro.plan.compose import Plan

MAX_NAMED = 6
"""Files that a message names."""


@dataclass(frozen=True, kw_only=True)
class BuildFlags(SettingFlags):
    """All settings that `build` takes as flags."""

    onset_db: OnsetDb = None
    lands_on: Annotated[
        str | None,
        typer.Option(help="Bar and beat of the landing that the clip is anchored on: 29.1."),
    ] = None
    audible_db: AudibleDb = None
    compensate: Annotated[
        str | None, typer.Option(help="What is made up for: both, release, attack or none.")
    ] = None
    habit: Annotated[
        str | None,
        typer.Option(help="What players put on the click: speak (most do) or start."),
    ] = None
    shortest_s: Annotated[
        float | None, typer.Option(help="Shortest note that is asked of a player, in seconds.")
    ] = None
    straighten_swing: Annotated[
        bool | None, typer.Option("--straighten-swing", help="Write swung pairs as even notes.")
    ] = None
    count_in_bars: Annotated[int | None, typer.Option(help="Bars of count-in.")] = None
    rate: Annotated[int | None, typer.Option(help="Frames a second: 44100 to 384000.")] = None
    session_start: Annotated[
        str | None, typer.Option(help="Timecode of the song's first frame: 01:00:00:00.")
    ] = None
    frame_rate: FrameRate = None
    lateness_s: Annotated[
        float | None,
        typer.Option(
            help="Lateness in seconds: how much later than written the players are heard."
        ),
    ] = None
    letter: Annotated[str | None, typer.Option(help="Letter of the insert.")] = None
    title: Annotated[str | None, typer.Option(help="Name of the song, as printed.")] = None
    temperature_c: Annotated[
        float | None, typer.Option(help="Air temperature in degrees Celsius.")
    ] = None
    seed: Annotated[int | None, typer.Option(help="Seed of the room's diffuse part.")] = None
    paper: Annotated[str | None, typer.Option(help="a4, letter or concert.")] = None
    score_in: Annotated[
        str | None,
        typer.Option(help="transposed, as the parts are, or c: at sounding pitch."),
    ] = None
    sound_format: Annotated[
        str | None, typer.Option(help="Format of the preview: wav, flac or ogg.")
    ] = None
    stems: Annotated[
        bool | None, typer.Option("--stems", help="Write the flipped sound part by part, too.")
    ] = None
    over: Annotated[
        str | None,
        typer.Option(
            help="Bounce of the song to lay the flipped sound into; lowered by 6 dB under it."
        ),
    ] = None
    soundfont: Annotated[
        str | None,
        typer.Option(help="Bank of sounds (.sf2, .sf3) that plays the preview, instead of sines."),
    ] = None
    sounds: Annotated[
        str | None,
        typer.Option(
            help="Figures that `retro learn` wrote: a sampler's for played.mid, people's for paper."
        ),
    ] = None
    into: Annotated[
        str | None, typer.Option(help="Main score in MusicXML to put the insert into.")
    ] = None
    only: Annotated[
        list[str] | None,
        typer.Option(
            help="Make this section only: arranger, copyist, engineer, sheet; repeatable."
        ),
    ] = None


@spread
def build(
    target: Target,
    out: Annotated[Path, typer.Option(help="Folder to make for the pack.")],
    settings: Settings = None,
    *,
    flags: BuildFlags,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace an older pack at the same place.")
    ] = False,
    watch: Annotated[
        bool,
        typer.Option(
            "--watch",
            help="Build again whenever target, settings, main score or learned sounds are saved.",
        ),
    ] = False,
    everything: Everything = False,
    quiet: Quiet = False,
) -> None:
    """Build the pack: plan, insert, preview, click, placement and session sheet.

    Several --bars are several inserts: each gets the next letter, and a pack of its own in OUT.
    """
    from retro.listening.engine import Engine

    say = teller(quiet=quiet)
    engine = Engine(target, hearing_told(quiet=quiet))
    if flags.bars and len(flags.bars) > 1:
        _refuse_for_several(flags, watch=watch)
        packs = [
            _planned(engine, out / letter, settings, one.by_key(), renew=overwrite)
            for letter, one in _one_each(target, settings, flags)
        ]
        _refuse_one_twice(packs)
        _make_folder_for_several(out)
        for pack in packs:
            _write(pack, renew=overwrite, everything=everything, say=say)
        return

    def once(*, renew: bool) -> None:
        pack = _planned(engine, out, settings, flags.by_key(), renew=renew)
        _write(pack, renew=renew, everything=everything, say=say)

    if not watch:
        once(renew=overwrite)
        return
    watched = Watched(target, settings, _others(target, settings, flags.by_key()))
    once(renew=overwrite)
    say("watching; stop with Ctrl-C")
    watched.build_again_at_every_save(lambda: once(renew=True))


def _refuse_for_several(flags: BuildFlags, *, watch: bool) -> None:
    if watch or flags.lands_on is not None or flags.replaces is not None:
        raise SettingsError(
            "--watch, --lands-on and --replaces are for one window, and --bars names several",
            advice="build one window at a time, each with its --letter",
        )


def _one_each(
    target: Path, settings: Path | None, flags: BuildFlags
) -> Iterator[tuple[str, BuildFlags]]:
    """Yield the letter and the flags of every window; letters go on from the first."""
    from retro.read.settings import beside, load_settings

    chosen = settings or beside(target)
    windows = list(flags.bars or ())
    letter = load_settings(chosen, replace(flags, bars=windows[:1]).by_key()).letter
    for bars in windows:
        yield letter, replace(flags, bars=[bars], letter=letter)
        letter = letter_after(letter)


def _refuse_one_twice(packs: "Sequence[_Planned]") -> None:
    seen = set()
    for pack in packs:
        window = pack.plan.window
        if (window.start_beats, window.end_beats) in seen:
            raise SettingsError(
                f"the window of {window.bar_words} is there twice",
                where="--bars",
                advice="name it once",
            )
        seen.add((window.start_beats, window.end_beats))


def _make_folder_for_several(out: Path) -> None:
    try:
        out.mkdir(exist_ok=True)
    except FileNotFoundError:
        raise WriteError("this folder does not exist", where=out.parent) from None
    except FileExistsError:
        raise WriteError("is no folder", where=out, advice="choose another --out") from None


def _others(target: Path, settings: Path | None, flags: dict[str, object]) -> list[Path]:
    """Return the main score and the learned sounds, where the settings name them."""
    from retro.read.settings import beside, load_settings

    loaded = load_settings(settings or beside(target), flags)
    return [Path(path) for path in (loaded.into, loaded.sounds) if path is not None]


class _Planned(NamedTuple):
    """A pack before anything of it is written, so that a refusal of one of several comes first."""

    engine: "Engine"
    plan: "Plan"
    out: Path
    inputs: list[Path]


def _planned(
    engine: "Engine",
    out: Path,
    settings_path: Path | None,
    flags: dict[str, object],
    *,
    renew: bool,
) -> _Planned:
    from retro.pack.folder import refuse_to_replace
    from retro.read.settings import beside, load_settings
    from retro.read.target import refuse_no_score

    target = engine.target
    chosen = settings_path or beside(target)
    inputs = [target, *([chosen] if chosen is not None else [])]
    refuse_to_replace(out, overwrite=renew, inputs=inputs)
    loaded = load_settings(chosen, flags)
    if loaded.into is not None:
        refuse_no_score(Path(loaded.into))
    return _Planned(engine, engine.plan(loaded), out, inputs)


def _write(planned: _Planned, *, renew: bool, everything: bool, say: Callable[[str], None]) -> None:
    from retro.pack.write import write_pack

    engine, plan, out, inputs = planned
    pack = write_pack(
        plan, out, overwrite=renew, inputs=inputs, renderer=engine.renderer, progress=say
    )
    if pack.left:
        tell(f"{out}: left alone, not of this pack or changed: {listed(pack.left, MAX_NAMED)}")
    if pack.older:
        say(f"{out}: left as an earlier build made them: {listed(pack.older, MAX_NAMED)}")
    for line in _last_words(plan, out, pack, everything=everything):
        say(line)


def _last_words(plan: "Plan", out: Path, pack: "NewPack", *, everything: bool) -> list[str]:
    """Return what a build says of its plan: what to look at, what was built, where it lands."""
    placement = plan.placement
    letter = plan.performance.settings.letter
    built = (
        f"{out}: {plan.heading}, {plan.window.bar_words} of {plan.performance.target.title}; keep "
        f"rolling {float(placement.roll_s):.2f} s"
    )
    lands = (
        f"{_lands(placement)}the flipped clip goes to sample {placement.clip_start_samples} at "
        f"{placement.rate} Hz"
    )
    heard = [*_of_the_sounds(plan, pack)]
    room = MAX_LINES - 3 - len(heard)
    findings = told(plan.findings, letter, everything=everything, room=room)
    return [*findings, verdict(plan.findings), built, *heard, lands]


def _of_the_sounds(plan: "Plan", pack: "NewPack") -> Iterator[str]:
    """Yield where the preview begins, and how many MIDI files a mock-up takes."""
    from retro.pack.names import played_midi_name

    if pack.sounds_start_samples is None:
        return
    name = f"arranger/flipped.{plan.performance.settings.sound_format.value}"
    yield f"the preview, {name}, begins at sample {pack.sounds_start_samples} of the song"
    if pack.played_files > 1:
        yield (
            f"a mock-up takes played.mid to {played_midi_name(pack.played_files)}, since a MIDI "
            "file has 16 channels; bounce each and flip the bounces together"
        )


def _lands(placement: "Placement") -> str:
    from retro.model.time import beat_words

    anchor = placement.anchor
    if anchor is None:
        return ""
    return f"lands on bar {anchor.bar} beat {beat_words(anchor.beat)}; "

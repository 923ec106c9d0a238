"""`retro measure`: how late the players were, and what the room is like, out of a take."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from retro.cli.microphones import microphones_in
from retro.cli.new_file import refuse_old, write_new
from retro.cli.options import AsJson, Mic, PhraseStart
from retro.cli.refusing import refuse
from retro.cli.tables import print_json, print_table, tell
from retro.errors import RetroError, SettingsError, TakeError

if TYPE_CHECKING:
    from collections.abc import Callable

    from retro.measuring.measure import Measurement
    from retro.read.plan_file import PlanFile


def measure(
    takes: Annotated[
        list[Path],
        typer.Argument(help="One microphone of each take, or a folder with all of a take's."),
    ],
    plan: Annotated[Path, typer.Option(help="plan.json of the pack.")],
    phrase_start: PhraseStart = 0,
    one_take: Annotated[
        bool, typer.Option("--one-take", help="The files are the microphones of one take.")
    ] = False,
    mic: Mic = None,
    flipped: Annotated[
        bool, typer.Option("--flipped", help="The files are flipped clips.")
    ] = False,
    tail_kept: Annotated[
        int | None,
        typer.Option(help="For a flipped clip: its frames before the phrase, if not the plan's."),
    ] = None,
    write_settings: Annotated[
        Path | None,
        typer.Option(help="Write the measured room to a new file, as settings for the next plan."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Tell how late the players were, how long the room rings, and which take is the tightest."""
    from retro.measuring.measure import measure_clip, rank
    from retro.measuring.table import measurement_document, room_settings
    from retro.read.plan_file import read_plan

    if write_settings is not None:
        refuse_old(write_settings)
    read = read_plan(plan)
    _refuse_strangers(mic or [], takes)

    def measured(paths: list[Path]) -> "Measurement":
        if flipped:
            return measure_clip(paths[0], read, tail_kept_samples=tail_kept)
        return _measured(paths, read, phrase_start, mic or [])

    each = [takes] if one_take and not flipped else [[path] for path in takes]
    if len(each) == 1:
        ranked, refused = [measured(each[0])], 0
    else:
        kept = [one for one in (_or_say_why(measured, paths) for paths in each) if one]
        ranked, refused = rank(kept), len(each) - len(kept)
    if write_settings is not None:
        write_new(write_settings, room_settings(ranked))
    if as_json:
        print_json(json.dumps([measurement_document(one) for one in ranked], indent=2))
    else:
        _print(ranked, as_ranking=len(each) > 1)
    for one in ranked:
        for finding in one.findings:
            tell(f"{one.name}: {finding.what}; {finding.advice}")
    if refused:
        raise TakeError(f"{refused} of {len(each)} takes were refused")


def _refuse_strangers(stated: list[str], takes: list[Path]) -> None:
    """Refuse a microphone that no take has, before anything is measured."""
    names = {path.name for take in takes for path in _files(take)}
    for text in stated:
        name = text.rpartition("=")[0]
        if name not in names:
            raise SettingsError(
                f"--mic {text!r} names none of the files",
                advice=f"write it as {next(iter(sorted(names)), 'Horn.wav')}=Horns",
            )


def _files(take: Path) -> list[Path]:
    from retro.takes.common_range import take_paths

    return list(take_paths([take])) if take.is_dir() else [take]


def _measured(
    paths: list[Path], plan: "PlanFile", phrase_start: int, stated: list[str]
) -> "Measurement":
    """Measure one take by its files, or by those of its folder."""
    from retro.measuring.measure import measure_microphones

    files = [file for path in paths for file in _files(path)]
    names = {path.name for path in files}
    own = [text for text in stated if text.rpartition("=")[0] in names]
    microphones = microphones_in(files, plan, phrase_start, own)
    return measure_microphones(microphones, plan, name=paths[0].name)


def _or_say_why(
    measured: "Callable[[list[Path]], Measurement]", paths: list[Path]
) -> "Measurement | None":
    try:
        return measured(paths)
    except RetroError as refusal:
        refuse(refusal)
        return None


def _print(ranked: "list[Measurement]", *, as_ranking: bool) -> None:
    from retro.measuring.table import measurement_rows, ranking_rows

    if as_ranking:
        print_table(ranking_rows(ranked), right=range(1, 7))
    else:
        print_table(measurement_rows(ranked[0]), right=(1,))

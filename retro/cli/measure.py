"""`retro measure`: how late the players were, and what the room is like, out of a take."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from retro.cli.options import AsJson, PhraseStart
from retro.cli.tables import print_table
from retro.errors import RetroError, TakeError

if TYPE_CHECKING:
    from collections.abc import Callable

    from retro.measuring.measure import Measurement


def measure(
    takes: Annotated[list[Path], typer.Argument(help="One microphone of each take.")],
    plan: Annotated[Path, typer.Option(help="plan.json of the pack.")],
    phrase_start: PhraseStart = 0,
    flipped: Annotated[
        bool, typer.Option("--flipped", help="The files are flipped clips.")
    ] = False,
    tail_kept: Annotated[
        int | None,
        typer.Option(help="For a flipped clip: its frames before the phrase, if not the plan's."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Tell how late the players were, how long the room rings, and which take is the tightest."""
    from retro.measuring.measure import measure_clip, measure_take, rank
    from retro.measuring.table import measurement_document
    from retro.read.plan_file import read_plan

    read = read_plan(plan)

    def measured(path: Path) -> "Measurement":
        if flipped:
            return measure_clip(path, read, tail_kept_samples=tail_kept)
        return measure_take(path, read, phrase_start_samples=phrase_start)

    if len(takes) == 1:
        ranked, refused = [measured(takes[0])], 0
    else:
        kept = [one for one in (_or_say_why(measured, path) for path in takes) if one]
        ranked, refused = rank(kept), len(takes) - len(kept)
    if as_json:
        typer.echo(json.dumps([measurement_document(one) for one in ranked], indent=2))
    else:
        _print(ranked, as_ranking=len(takes) > 1)
    for one in ranked:
        for finding in one.findings:
            typer.echo(f"{one.name}: {finding.what}; {finding.advice}", err=True)
    if refused:
        raise TakeError(f"{refused} of {len(takes)} files were refused")


def _or_say_why(measured: "Callable[[Path], Measurement]", path: Path) -> "Measurement | None":
    try:
        return measured(path)
    except RetroError as refusal:
        typer.echo(f"retro: {refusal}", err=True)
        return None


def _print(ranked: "list[Measurement]", *, as_ranking: bool) -> None:
    from retro.measuring.table import measurement_rows, ranking_rows

    if as_ranking:
        print_table(ranking_rows(ranked), right=range(1, 7))
    else:
        print_table(measurement_rows(ranked[0]), right=(1,))

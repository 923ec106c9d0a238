"""`retro check`: whether a target can be played, and what it is worth to compensate."""

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from retro.cli.findings import MAX_LINES, is_stopped, told, verdict
from retro.cli.options import AsJson, Everything, SettingFlags, Settings, Target, spread
from retro.cli.tables import print_json, print_lines, print_table

if TYPE_CHECKING:
    from retro.model.performance import Finding
    from retro.placement.compare import Comparison, Errors

_COMPARED = ("part", "notes", "plain mirror", "played", "as written")
_ERRORS = ("mean_onset_ms", "worst_onset_ms", "mean_landing_ms", "worst_landing_ms")


@spread
def check(
    target: Target,
    settings: Settings = None,
    *,
    flags: SettingFlags,
    compare: Annotated[
        bool,
        typer.Option("--compare", help="Add each part's errors: plain mirror, played, written."),
    ] = False,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit with 1 where something cannot be played.")
    ] = False,
    everything: Everything = False,
    as_json: AsJson = False,
) -> None:
    """Say what players cannot play, what the room spoils, and what to do about it.

    Bars are those of the insert, with its letter; pitches are as the player reads them.
    """
    from retro.placement.compare import compare as compared
    from retro.plan.compose import plan_file
    from retro.read.settings import beside, load_settings

    plan = plan_file(target, load_settings(settings or beside(target), flags.by_key()))
    rows = compared(plan.performance) if compare else ()
    if as_json:
        print_json(json.dumps(_document(plan.findings, rows), indent=1, ensure_ascii=False))
        _refuse(plan.findings, strict=strict)
        return
    letter = plan.performance.settings.letter
    print_lines(told(plan.findings, letter, everything=everything, room=MAX_LINES - 1))
    if compare:
        print_lines(["", "errors in ms: onset mean / worst, landing mean / worst"])
        print_table([_COMPARED, *(_cells(row) for row in rows)])
        print_lines([""])
    print_lines([verdict(plan.findings)])
    _refuse(plan.findings, strict=strict)


def _refuse(findings: "Sequence[Finding]", *, strict: bool) -> None:
    if strict and is_stopped(findings):
        raise typer.Exit(1)


def _cells(row: "Comparison") -> tuple[str, ...]:
    errors = (_said(errors) for errors in (row.plain, row.played, row.written))
    return (row.player or "all", str(row.notes), *errors)


def _said(errors: "Errors") -> str:
    onset, worst, landing, worst_landing = (getattr(errors, name) for name in _ERRORS)
    return f"{_ms(onset)} / {_ms(worst)}, {_ms(landing)} / {_ms(worst_landing)}"


def _ms(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f}"


def _document(findings: Sequence["Finding"], rows: Sequence["Comparison"]) -> dict[str, Any]:
    from retro.model.encoding import plain

    document: dict[str, Any] = {"findings": plain(findings)}
    if rows:
        document["comparison"] = [
            {
                "player": row.player,
                "notes": row.notes,
                "plain": _errors(row.plain),
                "played": _errors(row.played),
                "written": _errors(row.written),
            }
            for row in rows
        ]
    return document


def _errors(errors: "Errors") -> dict[str, float | None]:
    from retro.units import rounded_to_us

    values = {name: getattr(errors, name) for name in _ERRORS}
    return {name: None if value is None else rounded_to_us(value) for name, value in values.items()}

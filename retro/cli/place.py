"""`retro place`: where the flipped clip goes, for the figures of one session."""

from pathlib import Path
from typing import Annotated

import typer

from retro.cli.new_file import write_new
from retro.cli.options import AsJson, FrameRate, LateMs, PhraseStart, SessionStart
from retro.cli.tables import print_json, print_lines, print_table, tell


def place(
    plan: Annotated[Path, typer.Argument(help="plan.json of the pack.")],
    phrase_start: PhraseStart = 0,
    take_end: Annotated[
        int | None, typer.Option(help="Take frame at which the flipped range shall end.")
    ] = None,
    rate: Annotated[int | None, typer.Option(help="Frames a second of the take.")] = None,
    session_start: SessionStart = None,
    frame_rate: FrameRate = None,
    late_ms: LateMs = None,
    late_spread_ms: Annotated[
        float | None, typer.Option(help="Spread of the lateness in milliseconds.")
    ] = None,
    as_json: AsJson = False,
    csv: Annotated[Path | None, typer.Option(help="Write the table as CSV to a new file.")] = None,
) -> None:
    """Tell where the flipped clip goes in the song, and how long to roll."""
    from retro.model.encoding import encoded
    from retro.placement.inputs import ENSEMBLE_SPREAD_MS, Session, TakeRange
    from retro.placement.place import place_plan
    from retro.placement.table import HEADS, placement_csv, placement_rows
    from retro.read.plan_file import read_plan
    from retro.units import ms_to_seconds

    read = read_plan(plan)
    session = Session(
        rate=read.settings.rate if rate is None else rate,
        start=session_start or read.settings.session_start,
        frame_rate=frame_rate or read.settings.frame_rate,
        temperature_c=read.settings.temperature_c,
    )
    take = TakeRange(
        phrase_start_samples=phrase_start,
        take_end_samples=take_end,
        lateness_s=None if late_ms is None else ms_to_seconds(late_ms),
        lateness_spread_ms=ENSEMBLE_SPREAD_MS if late_spread_ms is None else late_spread_ms,
    )
    placement = place_plan(read, session=session, take=take)
    rows = placement_rows(placement)
    if csv is not None:
        write_new(csv, placement_csv(placement))
    if as_json:
        print_json(encoded(placement).decode())
    else:
        print_lines([f"Insert {read.letter} of {read.title}"])
        print_table([HEADS, *(row.cells for row in rows)], right=(1, 3, 4))
    for finding in placement.findings:
        tell(f"{finding.severity.value}: {finding.what}; {finding.advice}")

"""The command line: parse, call, report. Thin, and quick to start.

Each command is a module of its own that imports what is heavy inside its function. Results go to
standard output, talk to standard error. Exit codes: 0 done, 1 refused, 2 misused.
"""

import sys

import typer

from retro.cli.build import build
from retro.cli.check import check
from retro.cli.draft import draft
from retro.cli.flip import flip
from retro.cli.instruments import instruments
from retro.cli.measure import measure
from retro.cli.place import place
from retro.cli.show import show
from retro.cli.swell import swell
from retro.errors import RetroError

app = typer.Typer(
    name="retro",
    help="Works out what an orchestra reads and plays so that its recording, turned round, "
    "sounds the wanted phrase.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

app.command()(build)
app.command()(check)
app.command()(measure)
app.command()(draft)
app.command()(place)
app.command()(flip)
app.command()(instruments)
app.command()(show)
app.command()(swell)


def main() -> None:
    """Run the command line; every refusal is one line on standard error."""
    try:
        app()
    except RetroError as refusal:
        typer.echo(f"retro: {refusal}", err=True)
        sys.exit(1)
    except OSError as fault:
        place = f"{fault.filename}: " if fault.filename else ""
        typer.echo(f"retro: {place}{fault.strerror or fault}", err=True)
        sys.exit(1)
    except KeyboardInterrupt:
        typer.echo("retro: stopped", err=True)
        sys.exit(130)

"""The command line: parse, call, report. Thin, and quick to start.

Each command is a module of its own that imports what is heavy inside its function. Results go to
standard output, talk to standard error. Exit codes: 0 done, 1 refused, 2 misused; 130 stopped, 141
nobody reads the output any more, as tools of the shell end.
"""

import atexit
import gc
import io
import os
import sys
import warnings
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from retro.cli.build import build
from retro.cli.check import check
from retro.cli.day import day
from retro.cli.draft import draft
from retro.cli.flip import flip
from retro.cli.instruments import instruments
from retro.cli.learn import learn
from retro.cli.listen import listen
from retro.cli.measure import measure
from retro.cli.place import place
from retro.cli.probe import probe
from retro.cli.refusing import refuse
from retro.cli.show import show
from retro.cli.swell import swell
from retro.version import VERSION

INTERRUPTED = 130
"""Exit code after an interrupt: 128 and the signal's number (POSIX shells)."""

CLOSED_OUTPUT = 141
"""Exit code where nobody reads the output any more: 128 and SIGPIPE (POSIX shells)."""


GARBAGE_ROUND = 250_000
"""New objects after which cycles are looked for. Most of what a command makes, imports above all,
lasts as long as it runs; the interpreter's own 700 cost the shortest builds a tenth of their time.
"""


class _Commands(TyperGroup):
    """All commands; ends them as tools of the shell end."""

    def invoke(self, ctx: Any) -> Any:
        """Return what a command gives."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            raise typer.Exit(CLOSED_OUTPUT) from None
        except KeyboardInterrupt:
            typer.echo("retro: stopped", err=True)
            raise typer.Exit(INTERRUPTED) from None


app = typer.Typer(
    cls=_Commands,
    name="retro",
    help="Works out what an orchestra reads and plays so that its recording, turned round, "
    "sounds the wanted phrase.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _say_version(is_wanted: bool) -> None:
    if is_wanted:
        typer.echo(VERSION)
        raise typer.Exit


@app.callback()
def _whole_line(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_say_version, is_eager=True, help="Say the version."),
    ] = False,
) -> None:
    pass


# In the order in which they are needed; each line of the list fits a terminal of 80 columns.
for command, line in (
    (show, "What is in a MIDI file or a score, and who plays it."),
    (draft, "Write a target: a chord that swells and stops on a beat."),
    (swell, "How long a tone swells by itself in a room."),
    (check, "What players cannot play, and what to do about it."),
    (listen, "Try settings by ear, on a page on this machine."),
    (build, "Make the pack: insert, parts, preview, click, placement."),
    (probe, "Write single tones for your sampler to play."),
    (learn, "Measure how your sampler's sounds rise and fall."),
    (place, "Where the flipped clip goes, and how long to roll."),
    (measure, "How late the players were, and how long the room rings."),
    (flip, "Turn a take round, sample for sample, and stamp it."),
):
    app.command(short_help=line)(command)
app.add_typer(day, short_help="A recording day of several inserts.")
app.command(short_help="The known players and their figures.")(instruments)


def main() -> None:
    """Run the command line; whatever fails is one line on standard error, with exit code 1."""
    gc.set_threshold(GARBAGE_ROUND)
    # All memory goes back at once then; the interpreter would first look for cycles in all of it.
    atexit.register(gc.freeze)
    for stream in (sys.stdout, sys.stderr):
        # What a stream's encoding lacks, and bytes in file names that are no text, are escaped.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    try:
        with warnings.catch_warnings():
            if not sys.warnoptions:
                warnings.simplefilter("ignore")
            app()
    except Exception as fault:
        refuse(fault)
        sys.exit(1)
    finally:
        _flush()


def _flush() -> None:
    """Write what is left; a reader that went away is no fault, and the exit code says so."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(CLOSED_OUTPUT)
    except OSError as fault:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        refuse(fault)
        sys.exit(1)

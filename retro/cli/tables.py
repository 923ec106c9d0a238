"""Tables and lines that fit the terminal; into a pipe or a file they go whole and unfolded."""

import json
import shutil
import sys
import unicodedata
from collections.abc import Callable, Sequence
from io import StringIO

import typer

MIN_WIDTH = 20
UNLIMITED = 1_000_000


def terminal_width(*, err: bool = False) -> int:
    """Return how many cells a line may have: as the terminal, without end where there is none."""
    stream = sys.stderr if err else sys.stdout
    if not stream.isatty():
        return UNLIMITED
    return max(shutil.get_terminal_size().columns, MIN_WIDTH)


def print_table(
    rows: Sequence[Sequence[str]], *, right: Sequence[int] = (), err: bool = False
) -> None:
    """Print rows as `table_lines` lays them out for this terminal."""
    for line in table_lines(rows, terminal_width(err=err), right=right):
        typer.echo(line, err=err)


def print_lines(lines: Sequence[str], *, err: bool = False) -> None:
    """Print lines, folded between words at the terminal's width; what steers one is escaped."""
    width = terminal_width(err=err)
    for line in lines:
        if width == UNLIMITED:
            typer.echo(printable(line), err=err)
            continue
        for folded in table_lines([[line]], width) or [""]:
            typer.echo(folded, err=err)


def tell(line: str) -> None:
    """Print a line of talk, beside the results."""
    print_lines([line], err=True)


def teller(*, quiet: bool) -> Callable[[str], None]:
    """Return what tells a line, or keeps it to itself."""
    return (lambda _: None) if quiet else tell


def print_json(text: str) -> None:
    """Print JSON; what steers a terminal in its strings is escaped as JSON does."""
    typer.echo("".join(_json_char(char) for char in text.rstrip("\n")))


def _json_char(char: str) -> str:
    if char == "\n" or char.isprintable() or unicodedata.category(char) == "Zs":
        return char
    return json.dumps(char)[1:-1]


def table_lines(
    rows: Sequence[Sequence[str]], width: int, *, right: Sequence[int] = ()
) -> list[str]:
    """Return rows as lines of aligned columns of at most `width` cells of a screen.

    What moves a cursor in them is escaped. Where the columns need more, the widest are folded; the
    columns `right` stand to the right, as numbers do.
    """
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    for column in range(len(rows[0])):
        table.add_column(justify="right" if column in right else "left", overflow="fold")
    for row in rows:
        table.add_row(*(Text(printable(cell)) for cell in row))
    console = Console(file=StringIO(), width=width, color_system=None, legacy_windows=False)
    with console.capture() as captured:
        console.print(table)
    return [line.rstrip() for line in captured.get().splitlines()]


def printable(text: str) -> str:
    """Return a text in which what does not print is escaped: control and direction marks."""
    return "".join(
        char
        if char.isprintable() or unicodedata.category(char) == "Zs"
        else char.encode("unicode_escape").decode()
        for char in text
    )

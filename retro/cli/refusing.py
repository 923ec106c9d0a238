"""What a command says when it will not go on: one line on standard error, whatever failed."""

import tempfile
import traceback

import typer

from retro.errors import RetroError, as_message

MAX_SAID = 300
"""Most characters that are shown of a fault that nobody foresaw."""


def refuse(fault: Exception) -> None:
    """Say in one line on standard error what went wrong; what nobody foresaw leaves its trace."""
    match fault:
        case RetroError():
            said = str(fault)
        case OSError():
            place = f"{fault.filename}: " if fault.filename else ""
            said = f"{place}{fault.strerror or fault}"
        case MemoryError():
            said = "not enough memory for this; choose fewer bars, or a lower rate"
        case _:
            said = f"unexpected fault: {type(fault).__name__}: {fault}"[:MAX_SAID] + _trace(fault)
    typer.echo(f"retro: {as_message(said)}", err=True)


def _trace(fault: Exception) -> str:
    try:
        with tempfile.NamedTemporaryFile(
            "w",
            prefix="retro-",
            suffix=".txt",
            delete=False,
            encoding="utf-8",
            errors="backslashreplace",
        ) as file:
            file.writelines(traceback.format_exception(fault))
    except OSError:
        return "; the full trace could not be written"
    return f"; the full trace is in {file.name}"

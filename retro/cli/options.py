"""Options that several commands share, so that they are named and explained once."""

import functools
import inspect
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Annotated, Any, get_type_hints

import typer

from retro.errors import SettingsError

AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
AudibleDb = Annotated[
    float | None,
    typer.Option(help="What is this far below the loudest tone is just audible, in dB."),
]
DirectToReverberantDb = Annotated[
    float | None, typer.Option(help="Direct-to-reverberant ratio at the microphone in dB.")
]
Everything = Annotated[
    bool, typer.Option("--all", help="Tell every finding by itself, not what is alike together.")
]
OnsetDb = Annotated[float | None, typer.Option(help="A tone begins this far below full level.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="Say nothing but refusals.")]
FrameRate = Annotated[str | None, typer.Option(help="23.976, 24, 25, 29.97, 29.97df or 30.")]
LateMs = Annotated[
    float | None,
    typer.Option(help="Lateness in milliseconds: how much later than written the players are."),
]
Mic = Annotated[
    list[str] | None,
    typer.Option(
        help="Whom a spot microphone is close to, as 'Horn.wav=Horns'; else told by its name."
    ),
]
PhraseStart = Annotated[int, typer.Option(help="Take frame of the insert's bar 1 beat 1.")]
ReverberationS = Annotated[
    float | None, typer.Option(help="Reverberation time of the room in seconds.")
]
SessionStart = Annotated[
    str | None, typer.Option(help="Timecode of the song's first frame, as 01:00:00:00.")
]
Settings = Annotated[
    Path | None,
    typer.Option(help="Settings in TOML; else the file beside the target, if there is one."),
]
Target = Annotated[Path, typer.Argument(help="MIDI or MusicXML: what the listener shall hear.")]


@dataclass(frozen=True, kw_only=True)
class SettingFlags:
    """The flags that stand before the same settings of a file; None where a flag is not given."""

    bars: Annotated[
        list[str] | None,
        typer.Option(
            help="The window as bars: 33-36, or 33; `build` makes a pack of each that is given."
        ),
    ] = None
    replaces: Annotated[
        str | None,
        typer.Option(help="The bars that a window drafted apart replaces: 21-24."),
    ] = None
    from_: Annotated[
        str | None, typer.Option("--from", help="The window from this bar and beat: 31.3.")
    ] = None
    to: Annotated[
        str | None,
        typer.Option("--to", help="The window to this bar and beat, not inside it: 33.1."),
    ] = None
    tracks: Annotated[
        str | None, typer.Option(help="The tracks that take part: 'Violins I, Horns, Harp'.")
    ] = None
    start_marker: Annotated[str | None, typer.Option(help="The window from this marker.")] = None
    end_marker: Annotated[
        str | None, typer.Option(help="The window to this marker; else to the next.")
    ] = None
    reverberation_s: ReverberationS = None
    direct_to_reverberant_db: DirectToReverberantDb = None
    landing: Annotated[
        str | None,
        typer.Option(help="Where tones that ring by pitch land: end or start of the note."),
    ] = None
    grid_beats: Annotated[
        str | None, typer.Option(help="Finest written unit in quarter notes: 1/4, 1/3.")
    ] = None
    swell_beats: Annotated[
        str | None, typer.Option(help="Length of a drafted swell in quarter notes: 8, 7/2.")
    ] = None

    def by_key(self) -> dict[str, object]:
        """Return the flags by the keys of a settings file.

        Raises
        ------
        SettingsError
            If they state several windows.
        """
        if self.bars and len(self.bars) > 1:
            raise SettingsError(
                f"--bars is given {len(self.bars)} times, and each window is an insert of its own",
                advice="give one at a time",
            )
        given = {each.name.rstrip("_"): getattr(self, each.name) for each in fields(self)}
        return given | {"bars": self.bars[0] if self.bars else None}


def spread(command: Callable[..., None]) -> Callable[..., None]:
    """Return a command whose parameters that are dataclasses are given field by field, as flags."""
    signature = inspect.signature(command, eval_str=True)
    groups: dict[str, type[Any]] = {
        name: parameter.annotation
        for name, parameter in signature.parameters.items()
        if isinstance(parameter.annotation, type) and is_dataclass(parameter.annotation)
    }

    @functools.wraps(command)
    def spread_out(*arguments: Any, **given: Any) -> None:
        for name, group in groups.items():
            flags = inspect.signature(group).parameters.keys() & given.keys()
            given[name] = group(**{flag: given.pop(flag) for flag in flags})
        command(*arguments, **given)

    parameters = []
    for name, parameter in signature.parameters.items():
        parameters += _fields_of(parameter) if name in groups else [parameter]
    spread_out.__signature__ = signature.replace(parameters=parameters)  # type: ignore[attr-defined]
    spread_out.__annotations__ = {each.name: each.annotation for each in parameters}
    return spread_out


def _fields_of(group: inspect.Parameter) -> list[inspect.Parameter]:
    hints = get_type_hints(group.annotation, include_extras=True)
    return [
        inspect.Parameter(each.name, group.kind, default=each.default, annotation=hints[each.name])
        for each in fields(group.annotation)
    ]

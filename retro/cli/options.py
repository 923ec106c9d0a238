"""Options that several commands share, so that they are named and explained once."""

from pathlib import Path
from typing import Annotated

import typer

AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
AudibleDb = Annotated[
    float | None, typer.Option(help="A tone is just audible this far below full level.")
]
Bars = Annotated[str | None, typer.Option(help="The window as bars: 33-36, or 33.")]
DirectToReverberantDb = Annotated[
    float | None, typer.Option(help="Direct-to-reverberant ratio at the microphone in dB.")
]
EndMarker = Annotated[str | None, typer.Option(help="The window to this marker; else to the next.")]
Everything = Annotated[
    bool, typer.Option("--all", help="Tell every finding by itself, not what is alike together.")
]
From = Annotated[
    str | None, typer.Option("--from", help="The window from this bar and beat: 31.3.")
]
FrameRate = Annotated[str | None, typer.Option(help="23.976, 24, 25, 29.97, 29.97df or 30.")]
GridBeats = Annotated[
    str | None, typer.Option(help="Finest written unit in quarter notes: 1/4, 1/3.")
]
Landing = Annotated[
    str | None, typer.Option(help="Where struck tones land: end or start of the note.")
]
MeasuredLate = Annotated[
    float | None,
    typer.Option(help="Milliseconds that the players landed late, from `retro measure`."),
]
PhraseStart = Annotated[int, typer.Option(help="Take frame of the insert's bar 1 beat 1.")]
Replaces = Annotated[
    str | None,
    typer.Option(help="The bars that a window drafted apart replaces: 21-24."),
]
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
StartMarker = Annotated[str | None, typer.Option(help="The window from this marker.")]
To = Annotated[
    str | None,
    typer.Option("--to", help="The window to this bar and beat, not inside it: 33.1."),
]
Tracks = Annotated[
    str | None, typer.Option(help="The tracks that take part: 'Violins I, Horns, Harp'.")
]
Target = Annotated[Path, typer.Argument(help="MIDI or MusicXML: what the listener shall hear.")]

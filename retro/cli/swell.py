"""`retro swell`: how long a flipped tone swells by nature, and which room would fill some beats."""

import json
from typing import TYPE_CHECKING, Annotated, Any

import typer

from retro.cli.options import AsJson, AudibleDb, DirectToReverberantDb, ReverberationS
from retro.cli.tables import print_json, print_lines
from retro.errors import SettingsError

if TYPE_CHECKING:
    from retro.model.settings import Settings


def swell(
    players: Annotated[str, typer.Option(help="Whose tones, with commas: 'Horn in F, Harp'.")],
    pitches: Annotated[
        str | None,
        typer.Option(help="Sounding pitches; else low, middle and high of each range."),
    ] = None,
    beats: Annotated[
        float | None, typer.Option(help="Also: which reverberation time fills so many beats.")
    ] = None,
    tempo: Annotated[float, typer.Option(help="Quarter notes a minute.")] = 92.0,
    reverberation_s: ReverberationS = None,
    direct_to_reverberant_db: DirectToReverberantDb = None,
    audible_db: AudibleDb = None,
    as_json: AsJson = False,
) -> None:
    """Say how long a tone swells out of silence when it is turned round, in a room.

    That is the part of a swell that comes free: what lasts longer has to be played as a diminuendo.
    """
    from retro.read.settings import load_settings

    if not 10.0 <= tempo <= 400.0:
        raise SettingsError(f"{tempo:g} is not from 10 to 400", where="tempo")
    flags = {
        "reverberation_s": reverberation_s,
        "direct_to_reverberant_db": direct_to_reverberant_db,
        "audible_db": audible_db,
    }
    settings = load_settings(None, flags)
    rows = _rows(players, pitches, beats, tempo, settings)
    if as_json:
        print_json(json.dumps(rows, indent=1, ensure_ascii=False))
        return
    print_lines([_line(row, beats, settings) for row in rows])


def _rows(
    players: str, pitches: str | None, beats: float | None, tempo: float, settings: "Settings"
) -> list[dict[str, Any]]:
    from retro.drafting.casting import read_players
    from retro.drafting.swell import natural_swell_s, reverberation_for_s
    from retro.drafting.voicing import read_pitches
    from retro.units import pitch_name, rounded_to_ns

    said = read_pitches(pitches) if pitches is not None else None
    rows = []
    for player in read_players(players):
        instrument = player.instrument
        middle = (instrument.low + instrument.high) // 2
        for pitch in said or (instrument.low, middle, instrument.high):
            swell_s = natural_swell_s(player, pitch, settings.room, settings.audible_db)
            row: dict[str, Any] = {
                "player": player.name,
                "pitch": pitch_name(pitch),
                "swell_s": rounded_to_ns(swell_s),
                "swell_beats": rounded_to_ns(swell_s * tempo / 60.0),
            }
            if beats is not None:
                wanted_s = beats * 60.0 / tempo
                found = reverberation_for_s(
                    wanted_s, player, pitch, settings.room, settings.audible_db
                )
                row["wanted_s"] = rounded_to_ns(wanted_s)
                row["reverberation_s"] = None if found is None else rounded_to_ns(found)
            rows.append(row)
    return rows


def _line(row: dict[str, Any], beats: float | None, settings: "Settings") -> str:
    room = settings.room
    line = (
        f"{row['player']} {row['pitch']}: swells by nature for {row['swell_s']:.2f} s, "
        f"{row['swell_beats']:.2f} beats, from {settings.audible_db:g} dB below its level, where "
        f"the room has {room.reverberation_s:g} s at {room.direct_to_reverberant_db:g} dB"
    )
    if beats is None:
        return line
    if row["reverberation_s"] is not None:
        return f"{line}; {beats:g} beats want a room of {row['reverberation_s']:.2f} s"
    longer = row["swell_s"] > row["wanted_s"]
    why = "it rings longer by itself" if longer else "no room up to 20 s does it"
    return f"{line}; {beats:g} beats: {why}"

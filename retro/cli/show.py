"""`retro show`: what is in a MIDI file or a score, before anything is done with it."""

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from retro.cli.findings import told
from retro.cli.options import AsJson, Everything
from retro.cli.tables import print_lines, print_table

if TYPE_CHECKING:
    from retro.model.instruments import Player
    from retro.model.performance import Finding
    from retro.model.phrase import Key
    from retro.read.song import Song

TRACK_HEADINGS = (
    "no.",
    "track",
    "channel",
    "program 0-127",
    "notes",
    "range",
    "player",
    "guessed from",
)

FIFTHS = (
    *("Cb", "Gb", "Db", "Ab", "Eb", "Bb", "F", "C", "G", "D"),
    *("A", "E", "B", "F#", "C#", "G#", "D#", "A#"),
)
"""Major keys from seven flats to seven sharps; the minor key of a signature stands three later."""


def show(
    file: Annotated[Path, typer.Argument(help="MIDI file, format 0 or 1, or MusicXML.")],
    everything: Everything = False,
    as_json: AsJson = False,
) -> None:
    """Show what is in a MIDI file or a score: bars, tempo, meters, markers, and who plays."""
    from retro.read.target import read_song

    facts, findings = _look(read_song(file))
    if as_json:
        typer.echo(json.dumps(facts, indent=2, ensure_ascii=False))
    else:
        _print(facts)
        lines = told(findings, "", everything=everything)
        print_lines([*([""] if lines else []), *lines])


def _look(song: "Song") -> tuple[dict[str, Any], tuple["Finding", ...]]:
    """Return everything that is told of a song, in plain values, and the findings.

    Bars count from 1, channels from 1 as printed, programs from 0 as in the file; seconds and
    quarter notes are numbers.
    """
    from retro.model.performance import gravest_first
    from retro.model.settings import Settings
    from retro.model.time import printed_number
    from retro.read.guess import assign_players
    from retro.read.tracks import left_out_tracks
    from retro.read.window import bar_at
    from retro.units import pitch_name, us_per_quarter_to_bpm

    phrase = song.phrase
    left_out = {track.number: track.reason for track in left_out_tracks(phrase, Settings())}
    absent = {number - 1 for number in left_out}
    players, guesses = assign_players(phrase, Settings(), left_out=absent)
    playing = iter(players)
    bpms = [float(us_per_quarter_to_bpm(us)) for us in phrase.tempo.us_per_quarter.values]
    meters = [
        {"bar": printed_number(phrase.bars, count), "meter": str(bar.meter)}
        for count, bar in enumerate(phrase.bars, start=1)
        if count == 1 or str(bar.meter) != str(phrase.bars[count - 2].meter)
    ]
    findings = gravest_first((*song.notices, *guesses))
    facts = {
        "file": song.name,
        "sha256": song.sha256,
        "title": phrase.title,
        "length_s": float(phrase.length_s),
        "length_beats": float(phrase.length_beats),
        "bars": len(phrase.bars),
        "tempo_min_bpm": min(bpms),
        "tempo_max_bpm": max(bpms),
        "tempo_changes": len(bpms) - 1,
        "meters": meters,
        "short_bars": [
            printed_number(phrase.bars, count)
            for count, bar in enumerate(phrase.bars, start=1)
            if not bar.is_full
        ],
        "keys": [
            {"bar": bar_at(phrase, start), "key": _key_name(key)}
            for start, _, key in phrase.keys.spans()
        ],
        "markers": [
            {"bar": bar_at(phrase, marker.at_beats), "text": marker.text}
            for marker in phrase.markers
        ],
        "tracks": [
            {
                "number": number,
                "name": part.name,
                "channel": part.channel + 1,
                "program": part.program,
                "notes": len(part.notes),
                "lowest": pitch_name(min(note.pitch for note in part.notes)),
                "highest": pitch_name(max(note.pitch for note in part.notes)),
                **_player_facts(left_out.get(number), playing),
            }
            for number, part in enumerate(phrase.parts, start=1)
        ],
        "findings": [
            {"severity": str(finding.severity), "what": finding.what, "advice": finding.advice}
            for finding in findings
        ],
    }
    return facts, findings


def _player_facts(left_out: str | None, playing: "Iterator[Player]") -> dict[str, str | None]:
    """Return who plays a track, or why it is left out."""
    if left_out is not None:
        return {"player": None, "guessed_from": None, "left_out": left_out}
    player = next(playing)
    return {"player": player.name, "guessed_from": player.guessed_from, "left_out": None}


def _key_name(key: "Key") -> str:
    tonic = FIFTHS[key.sharps + 7 + (3 if key.minor else 0)]
    return f"{tonic} minor" if key.minor else f"{tonic} major"


def _print(facts: dict[str, Any]) -> None:
    """Lay the facts out for reading; names from the file cannot move the cursor."""
    slowest, fastest = f"{facts['tempo_min_bpm']:g}", f"{facts['tempo_max_bpm']:g}"
    tempo = f"{slowest} quarters a minute"
    if facts["tempo_changes"]:
        changes = facts["tempo_changes"]
        tempo = f"{slowest} to {fastest} quarters a minute, changes: {changes}"
    minutes, seconds = divmod(facts["length_s"], 60)
    heads = [
        ("file", facts["file"]),
        ("title", facts["title"]),
        ("length", f"{minutes:.0f} min {seconds:.3f} s, {facts['length_beats']:g} quarters"),
        ("bars", str(facts["bars"])),
        ("tempo", tempo),
        ("meters", _at_bars(facts["meters"], "meter")),
        ("short bars", ", ".join(map(str, facts["short_bars"])) or "none"),
        ("keys", _at_bars(facts["keys"], "key")),
        *_one_a_row("markers", [f"bar {m['bar']}: {m['text']}" for m in facts["markers"]]),
    ]
    rows = [
        (
            str(track["number"]),
            track["name"] or "-",
            str(track["channel"]),
            "-" if track["program"] is None else str(track["program"]),
            str(track["notes"]),
            f"{track['lowest']} to {track['highest']}",
            track["player"] or "left out",
            track["guessed_from"] or track["left_out"],
        )
        for track in facts["tracks"]
    ]
    print_table(heads)
    typer.echo("")
    print_table([TRACK_HEADINGS, *rows])


def _at_bars(items: Sequence[dict[str, Any]], name: str) -> str:
    return ", ".join(f"{item[name]} (bar {item['bar']})" for item in items) or "none"


def _one_a_row(name: str, items: Sequence[str]) -> list[tuple[str, str]]:
    rows = [("", item) for item in items[1:]]
    return [(name, items[0] if items else "none"), *rows]

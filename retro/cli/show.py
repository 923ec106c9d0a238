"""`retro show`: what is in a MIDI file or a score, before anything is done with it."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from retro.cli.findings import told
from retro.cli.options import AsJson, Everything
from retro.cli.tables import print_json, print_lines, print_table

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

MAX_CHANGES_TOLD = 8
"""Changes of meter or key that a line lists; JSON has all."""


def show(
    file: Annotated[Path, typer.Argument(help="MIDI file, format 0 or 1, or MusicXML.")],
    everything: Everything = False,
    as_json: AsJson = False,
) -> None:
    """Show what is in a MIDI file or a score: bars, tempo, meters, markers, and who plays."""
    from retro.read.facts import song_facts
    from retro.read.target import read_song

    facts, findings = song_facts(read_song(file))
    if as_json:
        print_json(json.dumps(facts, indent=2, ensure_ascii=False))
    else:
        _print(facts)
        lines = told(findings, "", everything=everything)
        print_lines([*([""] if lines else []), *lines])


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
    print_lines([""])
    print_table([TRACK_HEADINGS, *rows])


def _at_bars(items: Sequence[dict[str, Any]], name: str) -> str:
    told = [f"{item[name]} (bar {item['bar']})" for item in items[:MAX_CHANGES_TOLD]]
    more = len(items) - len(told)
    return ", ".join([*told, *([f"and {more} more changes (--json)"] if more else [])]) or "none"


def _one_a_row(name: str, items: Sequence[str]) -> list[tuple[str, str]]:
    rows = [("", item) for item in items[1:]]
    return [(name, items[0] if items else "none"), *rows]

"""Builds MIDI files that nobody here wrote, as far as the pack goes, and says what became of each.

    python -m tests.evidence.real_inputs FOLDER... [--whole | --pack]

Each file is planned, written as MusicXML (checked against the published schema), played as MIDI and
previewed: four bars from its middle, or with --whole all of it but the preview. With --pack the
whole pack of the four bars is written, engraving and sheet included.
"""

import argparse
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from lxml import etree

from retro.errors import RetroError
from retro.model.settings import Settings
from retro.pack.copyist import copy_out
from retro.pack.write import write_pack
from retro.plan.compose import Plan, plan_song
from retro.plan.document import plan_json
from retro.read.song import Song
from retro.read.target import read_song
from retro.render.played import performance_midi
from retro.render.preview import render_preview
from tests.evidence.musicxml_schema import musicxml_schema

BARS = 4


@dataclass(frozen=True)
class Outcome:
    """What became of a file: `built`, `refused` or `broke`, and one line about it."""

    path: Path
    kind: str
    line: str


def midi_files(folders: list[Path]) -> Iterator[Path]:
    """Return the MIDI files below some folders."""
    for folder in folders:
        yield from sorted(
            path for path in folder.rglob("*") if path.suffix.lower() in (".mid", ".midi", ".kar")
        )


def middle_bars(song: Song) -> str:
    """Return the four bars around the middle note of a song."""
    phrase = song.phrase
    starts = sorted(note.on_beats for part in phrase.parts for note in part.notes)
    middle = starts[len(starts) // 2]
    index = next(k for k, bar in enumerate(phrase.bars) if middle < bar.end_beats)
    first = max(min(index, len(phrase.bars) - BARS), 0)
    return f"{first + 1}-{min(first + BARS, len(phrase.bars))}"


def try_file(path: Path, schema: etree.XMLSchema, mode: str) -> Outcome:
    """Build a file and say what became of it."""
    try:
        song = read_song(path)
        bars = None if mode == "whole" else middle_bars(song)
        plan = plan_song(song, replace(Settings(), bars=bars))
        if mode == "pack":
            with tempfile.TemporaryDirectory() as folder:
                write_pack(plan, Path(folder) / "pack")
        else:
            build(plan, schema, is_whole=mode == "whole")
    except RetroError as refusal:
        line = str(refusal)
        kind = "refused" if line and "\n" not in line else "broke"
        return Outcome(path, kind, line)
    except Exception as fault:
        place = traceback.extract_tb(fault.__traceback__)[-1]
        line = f"{type(fault).__name__}: {fault} ({Path(place.filename).name}:{place.lineno})"
        return Outcome(path, "broke", line)
    performance = plan.performance
    return Outcome(
        path,
        "built",
        f"{len(performance.players)} players, {len(performance.notes)} notes, "
        f"bars {plan.window.start_bar}-{plan.window.end_bar}",
    )


def build(plan: Plan, schema: etree.XMLSchema, *, is_whole: bool) -> None:
    """Make everything of a plan but the pages."""
    plan_json(plan)
    xml = copy_out(plan).xml
    for document in (xml.score, *xml.parts):
        schema.assertValid(etree.fromstring(document))
    performance_midi(plan.performance, source_ticks_per_quarter=plan.song.ticks_per_quarter)
    if not is_whole:
        render_preview(plan.performance)


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("folders", nargs="+", type=Path)
    modes = parser.add_mutually_exclusive_group()
    modes.add_argument("--whole", dest="mode", action="store_const", const="whole")
    modes.add_argument("--pack", dest="mode", action="store_const", const="pack")
    asked = parser.parse_args()
    outcomes = []
    for path in midi_files(asked.folders):
        before = time.process_time()
        outcome = try_file(path, musicxml_schema(), asked.mode or "bars")
        outcomes.append(outcome)
        seconds = time.process_time() - before
        sys.stdout.write(f"{outcome.kind:8}{seconds:6.1f} s  {path.name}: {outcome.line}\n")
        sys.stdout.flush()
    counts = Counter(outcome.kind for outcome in outcomes)
    said = ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items()))
    sys.stdout.write(f"{said}\n")
    return 1 if counts["broke"] or not outcomes else 0


if __name__ == "__main__":
    sys.exit(main())

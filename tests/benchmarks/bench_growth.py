"""How the cost grows: 10 to 100,000 notes, 1 to 64 players.

Run: ``python -m tests.benchmarks.bench_growth``. Processor time of planning, of writing MusicXML
and of the preview, for invented lines of quarter and eighth notes; once each. The last column is
microseconds a note, which stays level where the cost is linear. How `flip` and `measure` grow with
the length of a take is what their own benchmarks print.
"""

import time
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from retro.model.phrase import Key, Note, Part, Phrase
from retro.model.settings import Settings
from retro.model.time import Bar, Meter, Steps, TempoMap
from retro.pack.copyist import copy_out
from retro.plan.compose import Plan, plan_song
from retro.plan.document import plan_json
from retro.read.midi import Song
from retro.render.preview import render_preview

FOUR_FOUR = Meter(4, 4, (1, 1, 1, 1))
NOTES_A_BAR = 6
PREVIEW_UP_TO = 20_000
XML_UP_TO = 100_000


def song_of(notes: int, players: int) -> Song:
    """Give a song of lines, six notes a bar."""
    each = -(-notes // players)
    count = -(-each // NOTES_A_BAR)
    bars = tuple(Bar(Fraction(4 * k), Fraction(4), FOUR_FOUR) for k in range(count))
    length = Fraction(4 * count)
    parts = []
    for player in range(players):
        line, at = [], Fraction(0)
        for index in range(each):
            beats = Fraction(1) if index % 3 == 0 else Fraction(1, 2)
            pitch = 60 + (5 * index + 3 * player) % 17
            line.append(
                Note(on_beats=at, off_beats=at + beats, pitch=pitch, velocity=60 + index % 40)
            )
            at += beats
        parts.append(
            Part(name=f"Violin {player + 1}", channel=player % 16, program=40, notes=tuple(line))
        )
    phrase = Phrase(
        title="Growth",
        parts=tuple(parts),
        tempo=TempoMap(Steps(length, (Fraction(0),), (500_000,))),
        bars=bars,
        keys=Steps(length, (Fraction(0),), (Key(0),)),
        markers=(),
    )
    return Song(
        name="growth.mid", sha256="0" * 64, ticks_per_quarter=480, phrase=phrase, notices=()
    )


def seconds(work: Callable[[], object]) -> float:
    """Seconds of processor."""
    before = time.process_time()
    work()
    return time.process_time() - before


def measure(notes: int, players: int) -> str:
    """Measure one size and give a line."""
    song = song_of(notes, players)
    made: list[Plan] = []
    plan_s = seconds(lambda: made.append(plan_song(song, replace(Settings(), count_in_bars=1))))
    json_s = seconds(lambda: plan_json(made[0]))
    said = [f"{notes:7} notes, {players:2} players: plan {plan_s:.2f} s, plan.json {json_s:.2f} s"]
    a_note = [plan_s]
    if notes <= XML_UP_TO:
        xml_s = seconds(lambda: copy_out(made[0]))
        a_note.append(xml_s)
        said.append(f"MusicXML {xml_s:.2f} s")
    if notes <= PREVIEW_UP_TO:
        preview_s = seconds(lambda: render_preview(made[0].performance))
        a_note.append(preview_s)
        said.append(f"preview {preview_s:.2f} s")
    each = " / ".join(f"{1e6 * spent / notes:.0f}" for spent in a_note)
    return f"{', '.join(said)}; µs a note {each}"


def main() -> None:
    measure(10, 1)  # imports
    for notes in (10, 100, 1_000, 10_000, 100_000):
        print(measure(notes, 8 if notes >= 100 else 1), flush=True)
    for players in (1, 4, 16, 64):
        print(measure(6_400, players), flush=True)


if __name__ == "__main__":
    main()

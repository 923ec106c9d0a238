"""A made recording day: three invented songs, four inserts, thirty people, written as MIDI.

Every part has notes only where its row says, so that who plays in which insert is known.
"""

from fractions import Fraction
from pathlib import Path

import mido

from retro.model.settings import Section, Settings
from retro.pack.write import write_pack
from retro.plan.compose import plan_file

TICKS = 480

PARTS = {
    # name: (program, pitch, songs in which it plays: which bars)
    "Piccolo": (72, 88, {"Lantern": (5, 6)}),
    "Flutes 1-2": (73, 79, {"Lantern": (1, 2), "Quarry": (1, 2)}),
    "Oboe": (68, 74, {"Quarry": (1, 2)}),
    "English Horn": (69, 62, {"Ferry": (1, 2)}),
    "Clarinets 1-2": (71, 65, {"Lantern": (1, 2), "Ferry": (1, 2)}),
    "Bassoons 1-2": (70, 48, {"Quarry": (1, 2), "Ferry": (1, 2)}),
    "Horns in F 1-4": (60, 55, {"Lantern": (1, 2, 5, 6), "Quarry": (1, 2), "Ferry": (1, 2)}),
    "Trumpets 1-2": (56, 67, {"Lantern": (5, 6), "Quarry": (1, 2)}),
    "Trombones 1-2": (57, 50, {"Quarry": (1, 2), "Ferry": (1, 2)}),
    "Tuba": (58, 34, {"Quarry": (1, 2)}),
    "Harp": (46, 60, {"Lantern": (1, 2)}),
    "Violins I": (48, 76, {"Lantern": (1, 2, 5, 6), "Quarry": (1, 2), "Ferry": (1, 2)}),
    "Violins II": (48, 69, {"Lantern": (1, 2, 5, 6), "Quarry": (1, 2), "Ferry": (1, 2)}),
    "Violas": (48, 60, {"Lantern": (1, 2, 5, 6), "Quarry": (1, 2), "Ferry": (1, 2)}),
    "Celli": (48, 48, {"Lantern": (1, 2, 5, 6), "Quarry": (1, 2), "Ferry": (1, 2)}),
    "Basses": (48, 36, {"Lantern": (1, 2), "Quarry": (1, 2), "Ferry": (1, 2)}),
}

SONGS = {
    # name: (beats a bar, denominator, quarters' microseconds, bars)
    "Lantern": (3, 4, 600_000, 8),
    "Quarry": (4, 4, 500_000, 4),
    "Ferry": (6, 8, 1_000_000, 4),
}

INSERTS = (
    ("A", "Lantern", "1-2"),
    ("B", "Quarry", "1-2"),
    ("C", "Ferry", "1-2"),
    ("D", "Lantern", "5-6"),
)

DAY_TOML = """\
title = "A made day"
date = "a Saturday"
start = "10:00"
minutes_each = 40

[[pack]]
folder = "A"
[[pack]]
folder = "B"
minutes = 30
[[pack]]
folder = "C"
[[pack]]
folder = "D"

[[person]]
name = "Flute 2 and Piccolo"
parts = ["Flute 2", "Piccolo"]
[[person]]
name = "Oboe and English Horn"
parts = ["Oboe", "English Horn in F"]
[[person]]
name = "First Violins"
parts = ["Violin I"]
desks = 3
[[person]]
name = "Second Violins"
parts = ["Violin II"]
desks = 3
[[person]]
name = "Violas"
parts = ["Viola"]
desks = 3
[[person]]
name = "Cellos"
parts = ["Cello"]
desks = 2
[[person]]
name = "Basses"
parts = ["Double Bass"]
desks = 2

[[microphone]]
name = "Main"
[[microphone]]
name = "Horns"
section = "Horns"
distance_m = 2.5

[[breaks]]
at = "11:00"
minutes = 15
"""

FOLDERS, STANDS = 22, 30
"""Seventeen chairs of one each, and five sections on thirteen desks."""


def write_song(name: str, path: Path) -> None:
    """Write a song as MIDI: a chord tone a bar for each part that plays there, of two voices for
    parts of two players and four for four.
    """
    numerator, denominator, us_per_quarter, bars = SONGS[name]
    bar = TICKS * 4 * numerator // denominator
    file = mido.MidiFile(ticks_per_beat=TICKS)
    first = mido.MidiTrack()
    first.append(mido.MetaMessage("track_name", name=name))
    first.append(mido.MetaMessage("set_tempo", tempo=us_per_quarter))
    first.append(mido.MetaMessage("time_signature", numerator=numerator, denominator=denominator))
    first.append(mido.MetaMessage("end_of_track", time=bars * bar))
    file.tracks.append(first)
    for number, (part, (program, pitch, places)) in enumerate(PARTS.items()):
        track = mido.MidiTrack()
        channel = number if number < 9 else (number + 1) % 16
        track.append(mido.MetaMessage("track_name", name=part))
        track.append(mido.Message("program_change", channel=channel, program=program))
        voices = 4 if part.endswith("1-4") else 2 if part.endswith("1-2") else 1
        waited = 0
        for at in range(1, bars + 1):
            if at not in places.get(name, ()):
                waited += bar
                continue
            tones = [pitch + (at % 2) * 2 + 4 * voice for voice in range(voices)]
            for tone in tones:
                track.append(
                    mido.Message("note_on", channel=channel, note=tone, velocity=80, time=waited)
                )
                waited = 0
            for index, tone in enumerate(tones):
                time = bar if index == 0 else 0
                track.append(mido.Message("note_off", channel=channel, note=tone, time=time))
        file.tracks.append(track)
    file.save(path)


def write_packs(folder: Path) -> Path:
    """Write the songs, their packs and day.toml; return the path of day.toml."""
    for name in SONGS:
        write_song(name, folder / f"{name}.mid")
    for letter, song, bars in INSERTS:
        settings = Settings(
            letter=letter,
            bars=bars,
            title=f"The {song}",
            count_in_bars=1,
            session_start="01:00:00:00",
            grid_beats=Fraction(1, 2),
            only=(Section.COPYIST, Section.ENGINEER),
        )
        write_pack(plan_file(folder / f"{song}.mid", settings), folder / letter)
    path = folder / "day.toml"
    path.write_text(DAY_TOML, encoding="utf-8")
    return path

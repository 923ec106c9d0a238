"""Writes ``studies/*.mid``: six small targets of our own, each for one kind of trouble.

``python examples/make_studies.py [FOLDER]`` writes the same bytes every time.
"""

import random
import sys
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

from midi_writing import WHOLE, Conductor, Event, Track, pitch, run, save

SEED = 1802

VIOLIN_RUN = """
| r:1 G3:.25 A3:.25 B3:.25 D4:.25 E4:.25 F#4:.25 G4:.25 A4:.25 B4:.25 D5:.25 E5:.25 F#5:.25
| G5:2 F#5:1 D5:1
| E5:.5 F#5:.25 G5:.25 A5:.25 B5:.25 C6:.25 D6:.25 E6:2
| B5:1 G5:1 D5:2
"""

PIANO_RIGHT = """
| B4+D5:1 F#5:1 E5+B5:1.5 | A4+E5:1 D5:1 C#5:.5 D5:.5 E5:.5
| G4+D5:1 B4:1 F#5+A5:1.5 | F#4+C#5+F#5:3.5
"""
PIANO_LEFT = """
| B2:1 F#3:1 B3:.5 A3:.5 F#3:.5 | A2:1 E3:1 C#4:1.5
| G2:1 D3:1 B3:.5 A3:.5 G3:.5 | F#2+C#3:3.5
"""

CHORALE = """
| Bb2+G3+Bb3+Eb4:2 Ab2+Ab3+C4+Eb4:2 | Bb2+F3+Bb3+D4:2 Eb3+G3+Bb3+Eb4:2
| C3+G3+C4+Eb4:2 F2+Ab3+C4+F4:2 | Bb2+F3+Bb3+D4:4
| Eb3+G3+Bb3+Eb4:1 D3+F3+Bb3+F4:1 C3+G3+C4+Eb4:2 | Ab2+Ab3+C4+Eb4:2 F2+Ab3+C4+F4:2
| Bb2+F3+Bb3+Eb4:2 Bb2+F3+Ab3+D4:2 | Eb3+G3+Bb3+Eb4:4
"""

HAND_PLAYED = """
| r:1 A4:1 D5:1.5 E5:.5 | F5:2 E5:.5 D5:.5 C5:1 | Bb4:1 D5:1 G5:1.5 F5:.5 | E5:4
| r:1 C#5:1 E5:1.5 F5:.5 | G5:2 F5:.5 E5:.5 D5:1 | C#5:1 E5:1 A5:2 | D5:4
"""

# name, program from 0, velocities, line, six bars in D minor: "A4*14:3" is A4 struck 14 times in
# three quarter notes, "A4/Bb4*24:3" changes to and fro.
SHIMMER = [
    ("Flute", 73, (70, 84), "D5:2 F5:2 A5/Bb5*24:3 G5:1 F5:2 E5:2 D5:3 r:1 A5:4 D6:4"),
    ("Oboe", 68, (70, 84), "r:4 F4:4 r:2 G4/Ab4*35:5 A4:1 r:8"),
    ("Clarinet in Bb", 71, (70, 84), "r:8 D4/E4*32:4 F4:4 E4:4 D4:4"),
    ("Timpani", 47, (40, 100), "r:6 D3*60:6 A2:1 r:1 A2*16:2 r:2 D3:4 r:2"),
    ("Violins I", 48, (50, 104), "D5*16:4 r:2 E5*24:6 F5*3:.75 G5:.25 A5*12:3 F5*16:4 D5:4"),
    ("Violas", 48, (50, 104), "A3+F4*32:4 r:4 A3+E4*48:6 r:6 A3+D4:4"),
    ("Cellos", 48, (50, 104), "D3*4:2 F3*4:2 D3*4:2 C3:2 A2*8:4 D3/F3*8:4 D3*12:6 r:2"),
]

# name, program from 0, four bars in C minor: Cm, A flat, F minor 6, G; a chord for each bar.
TUTTI = [
    ("Piccolo", 72, "Eb6:4 C6:4 D6:4 D6:4"),
    ("Flutes 1-2", 73, "Eb5+G5:4 Eb5+Ab5:4 D5+Ab5:4 D5+G5:4"),
    ("Alto Flute", 73, "C5:4 C5:4 C5:4 B4:4"),
    ("Oboe 1", 68, "G5:4 Eb5:4 F5:4 G5:4"),
    ("Oboe 2", 68, "Eb5:4 C5:4 D5:4 D5:4"),
    ("English Horn", 69, "C4:4 C4:4 C4:4 B3:4"),
    ("Klarinette in A", 71, "G4:4 Ab4:4 Ab4:4 G4:4"),
    ("Bass Clarinet", 71, "C3:4 Ab2:4 F2:4 G2:4"),
    ("Fagotti 1.2", 70, "C3+G3:4 Ab2+Eb3:4 F2+D3:4 G2+D3:4"),
    ("Contrabassoon", 70, "C2:4 Ab1:4 F1:4 G1:4"),
    ("Cors en fa 1.2", 60, "Eb4+G4:4 Eb4+Ab4:4 D4+F4:4 D4+G4:4"),
    ("Cors en fa 3.4", 60, "C4+Eb4:4 C4+Eb4:4 C4+D4:4 B3+D4:4"),
    ("Trumpet in C 1", 56, "G4:4 Ab4:4 Ab4:4 B4:4"),
    ("Trumpet in C 2", 56, "Eb4:4 Eb4:4 F4:4 G4:4"),
    ("Trombones 1.2", 57, "G3+C4:4 Eb3+C4:4 D3+Ab3:4 D3+B3:4"),
    ("Bass Trombone", 57, "C3:4 Ab2:4 F2:4 G2:4"),
    ("Tuba", 58, "C2:4 Ab1:4 F1:4 G1:4"),
    ("Timpani", 47, "C3:4 r:4 F2:4 G2:4"),
    ("Harp", 46, "C3+G3+C4+Eb4:4 Ab2+Eb3+C4:4 F2+D3+Ab3+C4:4 G2+D3+B3:4"),
    ("Violini I", 48, "C6:4 C6:4 Ab5:4 G5:4"),
    ("Violini II", 48, "Eb5:4 Eb5:4 D5:4 D5:4"),
    ("Viole", 48, "G4:4 Ab4:4 F4:4 G4:4"),
    ("Violoncelli", 48, "C3:4 Ab2:4 F2:4 G2:4"),
    ("Contrabbassi", 48, "C2:4 Ab1:4 F1:4 G1:4"),
]


def violin_run(folder: Path) -> None:
    """Write a run of a lone violin into a long note, over a straight tempo."""
    violin = Track("Solo Violin", 0, 40, random.Random(SEED))
    violin.play(VIOLIN_RUN, 0, velocity=(60, 110), held=WHOLE)
    violin.curve(11, 0, 8, (50, 120))
    violin.curve(11, 8.125, 16, (119, 60))
    save(folder / "violin_run.mid", Conductor.opening("Violin run", "G", 96), [violin])


def piano_in_seven(folder: Path) -> None:
    """Write two hands on one track in 7/8, pedalled by the bar."""
    piano = Track("Piano", 0, 0, random.Random(SEED + 1))
    piano.play(PIANO_LEFT, 0, velocity=(66, 84))
    piano.play(PIANO_RIGHT, 0, velocity=(74, 92))
    for index in range(4):
        piano.pedal(3.5 * index, 3.5 * index + 3.25)
    conductor = Conductor.opening("In seven", "Bm", 132, meter=(7, 8))
    save(folder / "piano_in_seven.mid", conductor, [piano])


def horn_chorale(folder: Path) -> None:
    """Write four horns on one track in chords, slowing into the last bar."""
    horns = Track("Horns 1-4", 0, 60, random.Random(SEED + 2))
    horns.play(CHORALE, 0, velocity=(56, 96))
    for start, end, values in ((0, 16, (40, 100)), (16.125, 32, (99, 45))):
        horns.curve(11, start, end, values)
        horns.curve(1, start, end, values)
    conductor = Conductor.opening("Horn chorale", "Eb", 66)
    for beat, bpm in enumerate((63, 59, 54, 48)):
        conductor.tempo(24 + beat, bpm)
    save(folder / "horn_chorale.mid", conductor, [horns])


def hand_played(folder: Path) -> None:
    """Write a violin section as a hand plays it on keys: off the grid, bent, in a free tempo."""
    violins = Track("Violins I", 0, 48, random.Random(SEED + 3), hand_ticks=34)
    violins.play(HAND_PLAYED, 0, velocity=(70, 88))
    violins.curve(11, 0, 15.875, (52, 112))
    violins.curve(11, 16, 31.875, (112, 48))
    for tick, bend in ((3 * 480, -1200), (3 * 480 + 90, -500), (3 * 480 + 180, 0)):
        violins.add(tick, 1, "pitchwheel", pitch=bend)
    conductor = Conductor.opening("Hand-played line", "Dm", 70)
    chance = random.Random(SEED + 4)
    for beat in range(1, 32):
        conductor.tempo(beat, 70 + chance.randint(-6, 6))
    save(folder / "hand_played.mid", conductor, [violins])


def tutti(folder: Path) -> None:
    """Write four bars for 24 players who share channels, as large templates do."""
    tracks = []
    for index, (name, program, line) in enumerate(TUTTI):
        channel = [c for c in range(16) if c != 9][index % 15]
        track = Track(name, channel, program, random.Random(SEED + 10 + index))
        track.play(line, 0, velocity=(64, 112), roll_ticks=24 if name == "Harp" else 0)
        if name not in ("Harp", "Timpani"):
            track.curve(11, 0, 15.875, (40, 124))
        tracks.append(track)
    save(folder / "tutti.mid", Conductor.opening("Tutti", "Cm", 88), tracks)


def shimmer(folder: Path) -> None:
    """Write strokes that a sign stands for, trills and rolls, and some that are no such thing."""
    tracks = []
    for index, (name, program, velocity, line) in enumerate(SHIMMER):
        track = Track(name, index, program, random.Random(SEED + 40 + index))
        track.play(_struck_again(line), 0, velocity=velocity)
        tracks.append(track)
    save(folder / "shimmer.mid", Conductor.opening("Shimmer", "Dm", 84), tracks)


def _struck_again(line: str) -> Iterator[Event]:
    """Read a line in which ``*`` says how often a note, or notes to and fro, are struck."""
    at = Fraction(0)
    for word in line.split():
        names, _, beats = word.partition(":")
        both, _, times = names.partition("*")
        step = Fraction(beats) / int(times or 1)
        for index in range(int(times or 1)):
            chord = both.split("/")[index % len(both.split("/"))]
            if chord != "r":
                yield [pitch(each) for each in chord.split("+")], at + index * step, step
        at += Fraction(beats)


STUDIES = (violin_run, piano_in_seven, horn_chorale, hand_played, tutti, shimmer)


def make(folder: Path) -> None:
    """Write all of them."""
    for study in STUDIES:
        study(folder)


if __name__ == "__main__":
    run(make, Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "studies")

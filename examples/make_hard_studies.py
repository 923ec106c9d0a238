"""Writes ``studies/hard/*.mid``: small targets of our own that are hard to write down well.

``python examples/make_hard_studies.py [FOLDER]`` writes the same bytes every time. Each is for what
players read badly unless it is written as they know it: distant keys, uneven bars, fives over two
beats, glissandi and pedals, both ends of the keyboard, a cello above its clef, drums, four-part
strings under long hairpins, and names in five scripts.
"""

import random
import sys
from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path

from midi_writing import WHOLE, Conductor, Event, Track, pitch, run, save

SEED = 1911

# name, program from 0, eight bars of 4/4: four in B major, four in A flat major.
DISTANT_KEYS = [
    (
        "Clarinet in Bb",
        71,
        (
            "F#5:2 D#5:1 E5:1 | C#5:2 B4:2 | D#5:1 E5:1 G#5:2 | F#5:3.5 r:.5"
            "| Eb5:2 C5:1 Db5:1 | Bb4:2 G4:2 | Ab4:1 C5:1 Eb5:1 D5:1 | Eb5:4"
        ),
    ),
    (
        "Alto Saxophone",
        65,
        (
            "D#4:2 F#4:2 | E4:2 D#4:1 C##4:1 | D#4:2 E4:2 | A#3:1 B3:2.5 r:.5"
            "| C4:2 Eb4:2 | Db4:2 C4:1 B3:1 | C4:2 Db4:2 | C4:4"
        ),
    ),
    (
        "Horn in F",
        60,
        (
            "B3:4 | A#3:2 G#3:2 | B3:2 C#4:2 | D#4:3.5 r:.5"
            "| Ab3:4 | G3:2 Eb3:2 | F3:2 Gb3:1 G3:1 | Ab3:4"
        ),
    ),
    (
        "Viola",
        41,
        (
            "F#4:.5 G#4:.5 F#4:.5 E4:.5 D#4:1 C#4:1 | E4:1 G#4:1 F#4:2 | B3:1 D#4:1 E4:1 G#4:1"
            "| F#4:4 | Ab4:.5 G4:.5 Ab4:.5 Bb4:.5 C5:1 Ab4:1"
            "| Db4:1 Eb4:1 G4:2 | F4:1 Ab4:1 Bb4:1 G4:1"
            "| Ab4:4"
        ),
    ),
    (
        "Harp",
        46,
        (
            "B2+F#3+D#4:4 | E3+B3+G#4:2 F#3+C#4+A#4:2 | G#2+D#3+B3:4 | B2+F#3+D#4:4"
            "| Ab2+Eb3+C4+Ab4:4 | Bb2+F3+Db4:2 Eb3+Bb3+G4:2"
            "| F2+C3+Ab3:2 Bb2+Gb3+D4:2 | Ab2+Eb3+C4:4"
        ),
    ),
    (
        "Piano",
        0,
        (
            "B1+B2:2 D#5+F#5:2 | E2+E3:2 A#4+C#5:2 | G#1+G#2:2 B4+D#5:2 | B1+B2:4"
            "| Ab1+Ab2:2 C5+Eb5:2 | Eb2+Eb3:2 G4+Bb4:2 | F2+F3:2 Ab4+D5:2 | Ab1+Ab2:4"
        ),
    ),
    (
        "Double Bass",
        43,
        "B1:4 | E2:2 F#2:2 | G#1:4 | B1:4 | Ab1:4 | Bb1:2 Eb2:2 | F1:2 Bb1:2 | Ab1:4",
    ),
]

UNEVEN = [
    (
        "Flute",
        73,
        (
            "D5:1 E5:.5 F5:.5 G5:.5 | A5:1 G5:.5 F5:1 E5:1 | D5:1.5 F5:1.5 E5:1 D5:.5 C5:1.5"
            "| A4:1 D5:1.5 | E5:2 F5:1.5 | G5:3 A5:3"
        ),
    ),
    (
        "Bassoon",
        70,
        (
            "D3:1.5 A2:1 | D3:2 C3:1.5 | Bb2:1.5 A2:1.5 G2:3 | D3:1.5 C3:1 | Bb2:2 A2:1.5"
            "| G2:1.5 A2:1.5 D3:3"
        ),
    ),
    (
        "Violins I",
        48,
        (
            "F4+A4:2.5 | F4+A4:2 E4+G4:1.5 | D4+F4:3 E4+Bb4:3 | F4+A4:1 E4+G4:1.5"
            "| G4+Bb4:2 F4+A4:1.5 | G4+D5:3 F4+A4:3"
        ),
    ),
]

FIVES = [
    (
        "Oboe",
        68,
        (
            "C5:.4 D5:.4 E5:.4 F5:.4 G5:.4 A5:1 G5:1 | F5:.4 E5:.8 D5:.8 C5:2"
            "| E5:.8 D5:.4 C5:.8 B4:.5 C5:.5 D5:1 | C5:4"
        ),
    ),
    (
        "Clarinet in Bb",
        71,
        ("E4:2 F4:.4 G4:.4 A4:.4 G4:.4 F4:.4 | A4:1 G4:1 E4:.4 F4:.4 G4:.8 A4:.4| C4/3 | E4:4"),
    ),
    ("Cellos", 48, "C3:4 | F2:2 G2:2 | A2:.8 B2:.8 C3:.4 G2:2 | C3:4"),
]

# The harp's glissando runs over the strings of one pedal setting, D flat C flat; E flat.
GLISSANDO_STRINGS = "Cb Db Eb Fb Gb Ab Bb"

KEYBOARD_ENDS = """
| A0+A1:2 C7+E7+A7:1 B7:.5 C8:.5 | F1:.5 C1:.5 r:1 A6+C7+F7:2
| D1+D2:1 r:1 D7:.25 E7:.25 F7:.25 G7:.25 A7:1 | E1+B1:2 G#6+B6+E7:2
| A0+E1+A1:4
"""

HIGH_CELLO = """
| B3:1 D4:1 F#4:1 G#4:1 | A4:2 G#4:.5 F#4:.5 E4:1 | C#5:1 B4:1 A4:1 F#4:1 | E4:2 D4:1 B3:1
| C#4:1 E4:1 A4:1 C#5:1 | E5:2 D5:1 B4:1 | A5:3 G#5:1 | A5:4
"""

# note numbers of the General MIDI drum map: bass drum 36, snare 38, closed hi-hat 42, crash 49,
# toms 45 48 50, triangle 81.
DRUM_BARS = [
    "36+49:1 42:.5 42:.5 38:1 42:.5 42:.5",
    "36:.75 36:.25 42:.5 42:.5 38:.5 42:.5 38:.25 38:.25 42:.5",
    "36:1 38:.25 38:.25 50:.25 50:.25 48:.5 48:.5 45:.5 45:.5",
    "36+49:2 81:2",
]
TIMPANI = "D3:1 r:1 A2:.5 A2:.5 D3:1 | r:2 A2:1 r:1 | D3:.5 D3:.5 A2:.5 A2:.5 D3:2 | A2:1 r:1 D3:2"

# name, program, lowest of the four first; sixteen bars under two hairpins of eight and six bars.
DIVISI = [
    ("Violins I", 48, ["G4", "B4", "D5", "G5"]),
    ("Violins II", 48, ["D4", "G4", "B4", "D5"]),
    ("Violas", 48, ["G3", "B3", "D4", "G4"]),
    ("Cellos", 48, ["G2", "D3", "G3", "B3"]),
]

SCRIPTS = [
    ("Flöte", 73, "D5:2 E5:2 | F5:4 | E5:2 D5:2 | D5:4"),
    ("Κόρνο σε Φα", 60, "A3:4 | D4:2 C4:2 | Bb3:2 A3:2 | A3:4"),
    ("Труба", 56, "F4:2 G4:2 | A4:4 | G4:2 F4:2 | F4:4"),
    ("כינור", 40, "A5:1 G5:1 F5:2 | D5:1 F5:1 A5:2 | G5:2 F5:1 E5:1 | F5:4"),
    ("チェロ", 42, "D3:4 | Bb2:2 F2:2 | G2:2 A2:2 | D3:4"),
]


def _tracks(
    lines: Sequence[tuple[str, int, str]], seed: int, *, velocity: tuple[int, int]
) -> list[Track]:
    """Return a track for each name, program and line, each on a channel and a seed of its own."""
    tracks = []
    for index, (name, program, line) in enumerate(lines):
        track = Track(name, index, program, random.Random(seed + index))
        track.play(line, 0, velocity=velocity)
        tracks.append(track)
    return tracks


def distant_keys(folder: Path) -> None:
    """Write from five sharps into four flats, with transposing players."""
    conductor = Conductor.opening("Far from home", "B", 72)
    conductor.add(16, "key_signature", key="Ab")
    save(folder / "distant_keys.mid", conductor, _tracks(DISTANT_KEYS, SEED, velocity=(58, 92)))


def uneven_bars(folder: Path) -> None:
    """Write 5/8, 7/8 and 12/8 one after the other, twice."""
    conductor = Conductor.opening("Uneven bars", "Dm", 138, meter=(5, 8))
    at = Fraction(0)
    for index in range(6):
        beats = (5, 7, 12)[index % 3]
        conductor.meter(at, beats, 8)
        at += Fraction(beats, 2)
    save(folder / "uneven_bars.mid", conductor, _tracks(UNEVEN, SEED + 20, velocity=(62, 96)))


def fives(folder: Path) -> None:
    """Write quintuplets over two beats, whole and with long notes inside, and triplets."""
    tracks = []
    for index, (name, program, line) in enumerate(FIVES):
        track = Track(name, index, program, random.Random(SEED + 30 + index))
        track.play(_in_fifths(line), 0, velocity=(64, 90), held=WHOLE)
        tracks.append(track)
    save(folder / "fives.mid", Conductor.opening("Fives over two", "C", 84), tracks)


def _in_fifths(line: str) -> Iterator[Event]:
    """Read a line in exact values; ``C4/3`` is a bar of triplets over a chord of C."""
    at = Fraction(0)
    for word in line.replace("|", " ").split():
        if "/" in word:
            for index in range(12):
                yield [pitch(("C4", "E4", "G4")[index % 3])], at, Fraction(1, 3)
                at += Fraction(1, 3)
            continue
        names, _, beats = word.partition(":")
        yield [pitch(name) for name in names.split("+")], at, Fraction(beats)
        at += Fraction(beats)


def glissando(folder: Path) -> None:
    """Write a harp that sweeps up and down over its strings, between held chords."""
    harp = Track("Harp", 0, 46, random.Random(SEED + 40))
    strings = [f"{name}{octave}" for octave in range(2, 7) for name in GLISSANDO_STRINGS.split()]
    up, down = strings[7:], strings[:6:-1]
    harp.play("Cb3+Gb3+Eb4:2", 0, velocity=(70, 70))
    harp.play(_swept(up, 2), 2, velocity=(60, 104))
    harp.play("Ab3+Eb4+Cb5:4", 4, velocity=(90, 90))
    harp.play(_swept(down, 2), 8, velocity=(100, 64))
    harp.play("Gb2+Db3+Bb3:2 | D3+A3+F#4:4", 10, velocity=(72, 80))
    save(folder / "glissando.mid", Conductor.opening("Sweep", "Gb", 76), [harp])


def _swept(strings: list[str], beats: int) -> Iterator[Event]:
    """Yield strings evenly over some beats."""
    step = Fraction(beats, len(strings))
    for index, name in enumerate(strings):
        yield [pitch(name)], index * step, step


def both_ends(folder: Path) -> None:
    """Write a piano at both ends of its keys."""
    piano = Track("Piano", 0, 0, random.Random(SEED + 50))

    piano.play(KEYBOARD_ENDS, 0, velocity=(60, 110))
    for bar in range(5):
        piano.pedal(4 * bar, 4 * bar + 3.75)
    save(folder / "both_ends.mid", Conductor.opening("Both ends", "Am", 80), [piano])


def high_cello(folder: Path) -> None:
    """Write a cello that climbs out of the bass clef and stays there."""
    cello = Track("Solo Cello", 0, 42, random.Random(SEED + 60))
    cello.play(HIGH_CELLO, 0, velocity=(60, 100), held=WHOLE)
    cello.curve(11, 0, 15.875, (60, 110))
    cello.curve(11, 16, 31.875, (108, 70))
    save(folder / "high_cello.mid", Conductor.opening("Above the clef", "A", 66), [cello])


def drums(folder: Path) -> None:
    """Write a kit on the drum channel, and timpani."""
    kit = Track("Drum Kit", 9, 0, random.Random(SEED + 70))
    for bar, line in enumerate(DRUM_BARS):
        kit.play(_struck(line), 4 * bar, velocity=(70, 110), held=Fraction(1, 2))
    timpani = Track("Timpani", 0, 47, random.Random(SEED + 71))
    timpani.play(TIMPANI, 0, velocity=(66, 100))
    save(folder / "drums.mid", Conductor.opening("Skins", "Dm", 104), [kit, timpani])


def _struck(line: str) -> Iterator[Event]:
    """Read a line of drum numbers."""
    at = Fraction(0)
    for word in line.split():
        numbers, _, beats = word.partition(":")
        yield [int(number) for number in numbers.split("+")], at, Fraction(beats)
        at += Fraction(beats)


def divisi(folder: Path) -> None:
    """Write strings in four parts each, under a hairpin of eight bars and one of six."""
    tracks = []
    for index, (name, program, voices) in enumerate(DIVISI):
        track = Track(name, index, program, random.Random(SEED + 80 + index))
        chord = [pitch(voice) for voice in voices]
        moved = [each + (0, 1, 1, 2)[n] for n, each in enumerate(chord)]
        bars = [chord, chord, moved, moved, chord, moved, chord]
        track.play(
            [(each, Fraction(8 * n), Fraction(8)) for n, each in enumerate(bars)],
            0,
            velocity=(70, 90),
            held=Fraction(31, 32),
        )
        track.curve(11, 0, 32, (30, 120))
        track.curve(11, 32.125, 56, (119, 36))
        tracks.append(track)
    save(folder / "divisi.mid", Conductor.opening("Wide strings", "G", 92), tracks)


def five_scripts(folder: Path) -> None:
    """Write players whose names are in five scripts."""
    tracks = []
    for index, (name, program, line) in enumerate(SCRIPTS):
        # The file format knows bytes only; names go in as UTF-8.
        track = Track(name.encode().decode("latin-1"), index, program, random.Random(SEED + 90))
        track.play(line, 0, velocity=(64, 90))
        tracks.append(track)
    save(folder / "five_scripts.mid", Conductor.opening("Five scripts", "Dm", 80), tracks)


STUDIES = (
    distant_keys,
    uneven_bars,
    fives,
    glissando,
    both_ends,
    high_cello,
    drums,
    divisi,
    five_scripts,
)


def make(folder: Path) -> None:
    """Write all of them."""
    for study in STUDIES:
        study(folder)


if __name__ == "__main__":
    here = Path(__file__).parent / "studies" / "hard"
    run(make, Path(sys.argv[1]) if len(sys.argv) > 1 else here)

"""Writes ``harbour_pageant.mid``: an invented overture of 40 bars, as an arranger exports it.

``python examples/make_example.py [FOLDER]`` writes the same bytes every time. The phrase that shall
sound backwards is bars 21 to 28: two swells, the first landing on bar 25, the second on bar 29.
"""

import random
import sys
from pathlib import Path

from midi_writing import WHOLE, Conductor, Event, Track, length, run, save
from voice_leading import lead

SEED = 1789
SHORT_BAR = 25
"""The one bar of 3/4; all others are 4/4."""

OPENING = [
    "D",
    "G",
    "D",
    "A7",
    "Bm",
    "G",
    "Em7",
    "A",
    "D",
    "F#m",
    "G",
    "Em",
    "Bm",
    "E7",
    "A7sus4",
    "A7",
    "D",
    "C",
    "G",
    "Gm",
]
OPENING_BASS = [38, 38, 38, 38, 35, 31, 40, 33, 38, 30, 31, 40, 35, 32, 33, 33, 38, 36, 35, 34]
CLOSING = ["F", "C", "Dm", "Bb", "F", "Gm7", "C7sus4", "C7", "F", "Bb", "Bbm", "F"]
CLOSING_BASS = [41, 40, 38, 34, 33, 31, 36, 36, 41, 41, 41, 29]

ALTO_FLUTE_OPENING = """
| r:1 F#4:1.5 G4:.5 A4:1 | B4:2 A4:1 G4:1 | F#4:3 E4:1 | E4:1.5 F#4:.5 G4:1 E4:1
| F#4:2 D5:2 | B4:1.5 A4:.5 G4:2 | G4:1 F#4:1 E4:1 D4:1 | E4:4
"""
ENGLISH_HORN_ANSWER = """
| r:2 A4:1 F#4:1 | C#5:2 B4:1 A4:1 | B4:3 G4:1 | E4:1 F#4:1 G4:1 B4:1
| D5:2 C#5:1 B4:1 | G#4:2 B4:1 D5:1 | D5:4 | C#5:2 A4:1 G4:1
"""
TRUMPET_SIGNAL = """
| A4:.75 A4:.25 D5:3 | E5:1.5 D5:.5 C5:2 | D5:1 B4:1 G4:2 | Bb4:2 A4:1 G4:1
"""
CELLI_OPENING = """
| D3:4 | D3:4 | D3:2 F#3:2 | E3:4 | F#3:2 B2:2 | B2:2 D3:2 | E3:4 | E3:2 C#3:2
| F#3:2 A3:2 | A3:2 C#4:2 | B3:2 D4:2 | B3:1 A3:1 G3:1 E3:1
| F#3:2 B3:2 | G#3:2 E3:1 B3:1 | D4:2 E4:2 | E3:2 G3:2
| F#3:2 A3:2 | G3:2 E3:2 | D3:4 | D3:4
"""
THEME = """
| C5:1 F5:2 A5:1 | G5:3 E5:1 | F5:1 A5:2 D6:1 | Bb5:1.5 A5:.5 F5:2
| C5:1 F5:1 A5:1 C6:1 | Bb5:2 G5:1 F5:1 | F5:2 G5:2 | E5:2 G5:1 E5:1 | F5:4 | r:4 | r:4 | F5:4
"""
ENGLISH_HORN_CLOSING = """
| r:2 A4:2 | G4:4 | F4:2 A4:2 | F4:2 Bb4:2 | A4:4 | G4:2 Bb4:2 | Bb4:2 G4:2 | G4:2 E4:2 | F4:4
"""
ALTO_FLUTE_CLOSING = "| r:2 C5:1 A4:1 | Bb4:2 F4:2 | Db5:2 C5:1 Bb4:1 | A4:4"
TRUMPET_CLOSING = """
| F4:.75 F4:.25 C5:3 | r:2 C5:2 | A4:.75 A4:.25 D5:3 | r:4 | C5:4 | r:4 | G4:2 C5:2 | C5:4
"""
CELLI_CLOSING = """
| A3:2 C4:2 | G3:2 C4:2 | A3:2 F3:2 | D3:2 F3:2 | C4:2 A3:2 | Bb3:2 G3:2 | G3:2 Bb3:2 | Bb3:4
| A3:4 | Bb3:4 | Bb3:2 Db4:2 | A3:4
"""

# Bars 21 to 28: B flat, G minor 7, A7sus4, A7; D minor (3/4), B flat, C7sus4, C7. Entries fan out
# from the low instruments, everything swells, and each wave lets go at its landing.
TURN = {
    "Alto Flute": """
| r:4 | r:2 G4:1 A4:1 | E4:1.5 G4:.5 A4:2 | C#5:2 E5:2
| F5:2 D5:1 | r:4 | G4:2 F4:2 | r:1 E4:1 G4:1 Bb4:1
""",
    "Flutes 1-2": """
| r:4 | r:4 | r:2 A5+D6:2 | A5+C#6:4
| r:3 | r:2 Bb5+D6:2 | Bb5+C6:4 | Bb5+E6:4
""",
    "English Horn": """
| r:4 | r:2 F4:2 | E4:2 D4:2 | E4:4
| F4:3 | F4:2 D4:2 | G4:4 | G4:4
""",
    "Bass Clarinet": "| r:2 Bb2:2 | G2:4 | A2:8 | D3:3 | Bb2:4 | C3:8",
    "Bassoons 1.2": "| r:4 | r:2 Bb2+F3:2 | A2+G3:8 | A2+F3:3 | Bb2+F3:4 | C3+Bb3:8",
    "Horns in F 1-2": """
| r:2 Bb3+D4:6 | A3+D4:4 | A3+C#4:4
| A3+D4:3 | Bb3+D4:4 | Bb3+C4:8
""",
    "Trumpet in C": "| r:4 | r:4 | r:4 | A4:4 | r:3 | r:4 | r:2 G4:2 | C5:4",
    "Bass Trombone": "| r:4 | r:4 | A2:8 | r:3 | r:4 | C3:8",
    "Violins I": "| r:4 | r:2 D5:2 | E5:4 | E5+G5:4 | D5+F5:3 | D5+F5:4 | F5+G5:4 | E5+G5:4",
    "Violins II": "| r:4 | Bb4:4 | A4:8 | A4:3 | Bb4:4 | Bb4:8",
    "Violas": "| r:2 D4+F4:6 | D4+E4:4 | C#4+E4:4 | D4+F4:3 | D4+F4:4 | C4+F4:4 | C4+E4:4",
    "Celli": """
| r:2 D3:1 F3:1 | G3:2 Bb3:2 | A3:2 G3:1 E3:1 | E3:1 G3:1 C#4:2
| D4:2 A3:1 | Bb3:2 D4:2 | C4:1.5 Bb3:.5 G3:2 | G3:1 Bb3:1 C4:2
""",
    "Basses": "| Bb1:4 | G1:4 | A1:8 | D2:3 | Bb1:4 | C2:8",
    "Harp": """
| Bb1+F2+D3+Bb3+F4:4 | r:4 | A1+E2+A2+G3+E4:8
| D2+A2+D3+F4+A4:3 | r:4 | C2+G2+C3+Bb3+F4:4
| C3:.5 G3:.5 Bb3:.5 E4:.5 G4:.5 Bb4:.5 C5:.5 E5:.5
""",
    "Celesta": """
| r:4 | r:4 | r:4 | r:2 A5:.5 C#6:.5 E6:.5 G6:.5
| F6:1 D6:1 A5:1 | r:4 | r:2 G5:.5 C6:.5 G6:.5 Bb6:.5
| C7:1 Bb6:.5 G6:.5 E6:.5 G6:.5 Bb6:.5 C7:.5
""",
}

# name, channel and program (both from 0), hand-played ticks
ENSEMBLE = [
    ("Alto Flute", 0, 73, 0),
    ("Flutes 1-2", 1, 73, 0),
    ("English Horn", 2, 69, 0),
    ("Bass Clarinet", 3, 71, 0),
    ("Bassoons 1.2", 4, 70, 0),
    ("Horns in F 1-2", 5, 60, 0),
    ("Trumpet in C", 6, 56, 0),
    ("Bass Trombone", 7, 57, 0),
    ("Celesta", 8, 8, 0),
    ("Harp", 10, 46, 0),
    ("Violins I", 11, 48, 0),
    ("Violins II", 12, 48, 0),
    ("Violas", 13, 48, 0),
    ("Celli", 14, 42, 22),
    ("Basses", 15, 43, 0),
]
STRUCK = ("Celesta", "Harp")


def bar(number: int) -> int:
    """Quarter notes from the start of the song to a bar."""
    return 4 * (number - 1) - (number > SHORT_BAR)


def conductor() -> Conductor:
    """Return tempo, meter, keys and markers."""
    song = Conductor("Overture for a Harbour Pageant")
    song.meter(0, 4, 4)
    song.add(0, "key_signature", key="D")
    for at, bpm in ((1, 72), (9, 76), (17, 80), (21, 76), (29, 84), (37, 69), (40, 60)):
        song.tempo(bar(at), bpm)
    for beat, bpm in enumerate((70, 64, 58, 52)):
        song.tempo(bar(24) + beat, bpm)
    for beat, bpm in enumerate((56, 62, 68, 74)):
        song.tempo(bar(26) + beat, bpm)
    song.tempo(bar(27), 76)
    for beat, bpm in enumerate((82, 79, 76, 72)):
        song.tempo(bar(36) + beat, bpm)
    song.meter(bar(SHORT_BAR), 3, 4)
    song.meter(bar(SHORT_BAR + 1), 4, 4)
    song.add(bar(26), "key_signature", key="F")
    markers = ["Slack water", "Boats out", "Signal", "Turn of the tide", "Procession", "Lights"]
    for number, text in zip((1, 9, 17, 21, 29, 37), markers, strict=True):
        song.add(bar(number), "marker", text=text)
    return song


def ensemble() -> dict[str, Track]:
    """Return the tracks by name, with volume and pan as a mixer template sets them."""
    tracks = {}
    for index, (name, channel, program, hand_ticks) in enumerate(ENSEMBLE):
        chance = random.Random(SEED + index)
        track = Track(name, channel, program, chance, hand_ticks)
        track.control(7, 0, 100)
        track.control(10, 0, 34 + 4 * index)
        if name not in STRUCK:
            track.control(1, 0, 40)
        track.control(11, 0, 90)
        tracks[name] = track
    return tracks


def whole_bars(voices: list[tuple[int, ...]]) -> list[Event]:
    """Return chords as whole notes."""
    return [(sorted(set(pitches)), 4 * index, 4) for index, pitches in enumerate(voices)]


def eighths(voices: list[tuple[int, ...]]) -> list[Event]:
    """Return chords as repeated eighth notes."""
    return [
        (sorted(set(pitches)), 4 * index + step / 2, 0.5)
        for index, pitches in enumerate(voices)
        for step in range(8)
    ]


def arpeggios(voices: list[tuple[int, ...]]) -> list[Event]:
    """Return chords as rising and falling eighth notes an octave up."""
    return [
        ([voices[index][voice] + 12], 4 * index + step / 2, 0.5)
        for index in range(len(voices))
        for step, voice in enumerate((3, 2, 1, 0, 1, 2, 1, 0))
    ]


def opening(tracks: dict[str, Track]) -> None:
    """Bars 1 to 20: the alto flute over held strings, the English horn's answer, the signal."""
    voices = lead(OPENING, OPENING_BASS)
    soft, answer, signal = voices[:8], voices[8:16], voices[16:]
    tracks["Alto Flute"].play(ALTO_FLUTE_OPENING, 0, velocity=(62, 74))
    tracks["English Horn"].play(ENGLISH_HORN_ANSWER, bar(9), velocity=(66, 82))
    tracks["Trumpet in C"].play(TRUMPET_SIGNAL, bar(17), velocity=(84, 92))
    tracks["Celli"].play(CELLI_OPENING, 0, velocity=(58, 84))
    basses = [(pitch,) for pitch in OPENING_BASS]
    tracks["Basses"].play(whole_bars(basses), 0, velocity=(54, 84))
    octave_up = [(pitch + 12,) for pitch in OPENING_BASS]
    tracks["Bass Clarinet"].play(whole_bars(octave_up[4:8]), bar(5), velocity=(56, 62))
    tracks["Bass Clarinet"].play(whole_bars(octave_up[12:]), bar(13), velocity=(62, 84))
    in_fifths = [(bass[0], voicing[3]) for bass, voicing in zip(octave_up, voices, strict=True)]
    tracks["Bassoons 1.2"].play(whole_bars(in_fifths[8:]), bar(9), velocity=(60, 84))
    for start in (5, 13, 17):
        inner = [voicing[2:] for voicing in voices[start - 1 : start + 3]]
        tracks["Horns in F 1-2"].play(whole_bars(inner), bar(start), velocity=(58, 70))
    tracks["Bass Trombone"].play(
        whole_bars([(p,) for p in OPENING_BASS[16:]]), bar(17), velocity=(70, 84)
    )
    tracks["Celesta"].play(arpeggios(answer[:4]), bar(9), velocity=(60, 72))
    tracks["Violins I"].play(whole_bars([v[:1] for v in voices]), 0, velocity=(54, 82))
    tracks["Violins II"].play(whole_bars([v[1:2] for v in soft + answer]), 0, velocity=(52, 74))
    tracks["Violas"].play(whole_bars([v[2:] for v in soft + answer]), 0, velocity=(52, 74))
    tracks["Violins II"].play(eighths([v[1:2] for v in signal]), bar(17), velocity=(72, 86))
    tracks["Violas"].play(eighths([v[2:] for v in signal]), bar(17), velocity=(70, 84))
    roll(tracks["Harp"], voices, OPENING_BASS, first_bar=1, bars=range(1, 20, 2))
    for number in range(9, 13):
        tracks["Celesta"].pedal(bar(number), bar(number) + 3.75)
    breathe(tracks, first=1, last=20, low=58, high=96)


def turn(tracks: dict[str, Track]) -> None:
    """Bars 21 to 28: the target, two swells."""
    for name, line in TURN.items():
        if length(line) != bar(29) - bar(21):
            raise ValueError(f"{name} does not fill bars 21 to 28: {length(line)}")
        rolled = 28 if name == "Harp" else 0
        tracks[name].play(line, bar(21), velocity=(64, 104), held=WHOLE, roll_ticks=rolled)
    for start, end in ((21, 25), (25, 29)):
        for name in TURN:
            if name in STRUCK:
                continue
            tracks[name].curve(11, bar(start), bar(end) - 0.125, (46, 122), bend=1.4)
            tracks[name].curve(1, bar(start), bar(end) - 0.125, (24, 104), bend=1.4)
    for start, end in ((21, 23), (23, 25), (25, 26), (27, 28), (28, 29)):
        tracks["Harp"].pedal(bar(start), bar(end) - 0.125)
    tracks["Celesta"].pedal(bar(24) + 2, bar(25) - 0.125)
    tracks["Celesta"].pedal(bar(27) + 2, bar(29) - 0.125)


def closing(tracks: dict[str, Track]) -> None:
    """Bars 29 to 40: the procession in F and the lights."""
    voices = lead(CLOSING, CLOSING_BASS)
    march, lights = voices[:8], voices[8:]
    tracks["Violins I"].play(THEME, bar(29), velocity=(92, 70))
    tracks["English Horn"].play(ENGLISH_HORN_CLOSING, bar(29), velocity=(84, 70))
    tracks["Alto Flute"].play(ALTO_FLUTE_CLOSING, bar(37), velocity=(68, 54))
    tracks["Trumpet in C"].play(TRUMPET_CLOSING, bar(29), velocity=(92, 84))
    tracks["Celli"].play(CELLI_CLOSING, bar(29), velocity=(88, 56))
    tracks["Basses"].play(whole_bars([(p,) for p in CLOSING_BASS]), bar(29), velocity=(88, 56))
    above = [(voicing[0] + 12, voicing[1] + 12) for voicing in march]
    tracks["Flutes 1-2"].play(whole_bars(above), bar(29), velocity=(86, 76))
    tracks["Violins II"].play(eighths([v[1:2] for v in march]), bar(29), velocity=(84, 74))
    tracks["Violas"].play(eighths([v[2:] for v in march]), bar(29), velocity=(82, 72))
    tracks["Violins II"].play(whole_bars([v[1:2] for v in lights]), bar(37), velocity=(66, 50))
    tracks["Violas"].play(whole_bars([v[2:] for v in lights]), bar(37), velocity=(66, 50))
    inner = [voicing[2:] for voicing in voices]
    tracks["Horns in F 1-2"].play(whole_bars(inner), bar(29), velocity=(86, 54))
    octave_up = [(pitch + 12,) for pitch in CLOSING_BASS]
    tracks["Bass Clarinet"].play(whole_bars(octave_up), bar(29), velocity=(84, 52))
    paired = [(bass[0], voicing[3]) for bass, voicing in zip(octave_up, voices, strict=True)]
    tracks["Bassoons 1.2"].play(whole_bars(paired[:9]), bar(29), velocity=(84, 66))
    low = [(p if p >= 34 else p + 12,) for p in CLOSING_BASS[:9]]
    tracks["Bass Trombone"].play(whole_bars(low), bar(29), velocity=(86, 66))
    tracks["Celesta"].play(arpeggios(lights[:3]), bar(37), velocity=(60, 48))
    roll(tracks["Harp"], voices, CLOSING_BASS, first_bar=29, bars=range(29, 41))
    for number in range(37, 40):
        tracks["Celesta"].pedal(bar(number), bar(number) + 3.75)
    breathe(tracks, first=29, last=40, low=100, high=56)


def roll(
    harp: Track,
    voices: list[tuple[int, ...]],
    basses: list[int],
    *,
    first_bar: int,
    bars: range,
) -> None:
    """Roll chords on the harp, low to high, each held by its pedal mark."""
    for number in bars:
        index = number - first_bar
        chord = sorted({basses[index], basses[index] + 12, *voices[index]})
        harp.play([(chord, 0, 4)], bar(number), velocity=(66, 66), roll_ticks=26)
        harp.pedal(bar(number), bar(number) + 3.75)


def breathe(tracks: dict[str, Track], *, first: int, last: int, low: int, high: int) -> None:
    """Shape expression and modulation in arches of four bars on the way from low to high."""
    spans = list(range(first, last, 4))
    for index, start in enumerate(spans):
        level = low + round((high - low) * index / max(len(spans) - 1, 1))
        for name, track in tracks.items():
            if name not in STRUCK:
                middle, end = bar(start + 2), bar(start + 4) - 0.125
                track.curve(11, bar(start), middle, (level, level + 16))
                track.curve(11, middle + 0.125, end, (level + 15, level))
                track.curve(1, bar(start), middle, (level - 30, level))
                track.curve(1, middle + 0.125, end, (level - 1, level - 30))


def make(folder: Path) -> None:
    """Write the file."""
    tracks = ensemble()
    opening(tracks)
    turn(tracks)
    closing(tracks)
    save(folder / "harbour_pageant.mid", conductor(), tracks.values())


if __name__ == "__main__":
    run(make, Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)

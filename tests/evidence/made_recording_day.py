"""A whole recording day by a sound bank: four inserts of three songs, twelve takes in two reels.

The songs are two shipped studies and a target of our own; thirty people play, six microphones
record. Clicks of `retro day prepare` bleed from the headphones. Four takes have a fault each; what
and where is known. Between takes there is chatter: notes at random, and noise.

Conventions
-----------
Frames are of a reel unless said; all of it is at `RATE`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import mido
import numpy as np
import soundfile

from retro.model.settings import Section, Settings
from retro.model.sound import Room
from retro.pack.write import write_pack
from retro.plan.compose import plan_file
from tests.evidence.made_ensembles import EXAMPLES, FLUID_R3, RATE, Piece, piece_of
from tests.evidence.made_faults import tuned, with_release_earlier
from tests.evidence.made_orchestra import (
    CLOSE_M,
    MICROPHONES,
    NOISE_DBFS,
    REVERBERATION_S,
    SOUND_M_S,
    Spot,
    Tone,
    heard_at,
    played,
    with_desks,
)

TICKS = 480
LOCK_SONG = "The Lock Keeper"
LOCK_BPM = 76
LOCK = (
    # name, program, velocity, line of eight bars of 3/4: bars 1 to 4 and 5 to 8 are an insert each.
    ("Flute 1", 73, 84, "E5:2 F#5:.5 G5:.5 A5:3 F#5:1 E5:2 D5:3 r:3 B5:1.5 A5:.5 G5:1 F#5:3 E5:3"),
    ("Oboe 1", 68, 78, "B4:3 C#5:1 D5:2 r:3 A4:3 B4:2 C5:1 D5:3 C5:2 B4:1 B4:3"),
    ("Clarinet in Bb", 71, 80, "G4:1.5 A4:1.5 F#4:3 A4:3 F#4:3 r:3 F#4:3 A4:1.5 F#4:1.5 G4:3"),
    ("Bassoon 1", 70, 82, "E3:3 D3:3 A2:2 B2:1 D3:3 G3:3 D3:3 F#3:1 E3:2 E3:3"),
    ("Horns 1-2", 60, 76, "r:3 A3+D4:3 C#4+E4:3 A3+D4:3 G3+D4:3 r:3 A3+C4:3 G3+B3:3"),
    ("Trumpet in C 1", 56, 80, "r:6 E4:3 F#4:3 r:3 A4:3 r:3 E4:3"),
    ("Violins I", 48, 84, "B5:1 A5:1 G5:1 F#5:3 E5:1.5 C#5:1.5 D5:3 D5:2 E5:1 F#5:3 A5:3 G5:3"),
    ("Violins II", 48, 78, "G4:3 A4:2 F#4:1 A4:3 A4:3 B4:1.5 G4:1.5 A4:3 F#4:3 E4:3"),
    ("Violas", 48, 80, "E4:3 D4:3 C#4:3 F#4:1 D4:2 D4:3 D4:1 F#4:2 C4:3 B3:3"),
    ("Cellos", 48, 84, "E3:1 G3:1 B3:1 D3:3 A3:3 D3:3 G3:1 B3:2 D3:3 A3:1.5 F#3:1.5 E3:3"),
    ("Basses", 48, 84, "E2:3 D2:3 A2:3 D2:3 G2:3 D2:3 F#2:3 E2:3"),
    ("Harp", 46, 70, "E3+B3+G4:3 r:3 A3+E4:3 r:3 G3+D4+B4:3 r:3 A3+F#4:3 r:3"),
)
STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}

INSERTS = {
    # letter: song, file, bars
    "A": (LOCK_SONG, "lock.mid", "1-4"),
    "B": ("Horn chorale", "horn_chorale.mid", "1-3"),
    "C": ("Tutti", "tutti.mid", None),
    "D": (LOCK_SONG, "lock.mid", "5-8"),
}
COUGHED, WRONG, EARLY, SHORT = ("B", 2), ("A", 2), ("C", 3), ("D", 3)
"""The takes with a fault: a cough in the tail, a wrong note, an early release, a short roll."""

COUGH_AFTER_S, COUGH_S, COUGH_DB = 0.9, 0.2, 10.0
EARLY_S, SHORT_S, WRONG_CENTS = 0.25, 0.4, 100.0
WRONG_PART = "Oboe 1"
REELS = (("A", "B"), ("C", "D"))
"""The inserts of each reel, three takes of each in turn."""

TAKES = (1, 2, 3)
CLICK_M = 0.5
BLEED_DB = -46.0
"""Of the click in a close microphone, against full scale; the main one hears 20 dB less."""

FULL = 0.35
"""Peak of the music in a microphone."""

START_S, BETWEEN_S = 1.0, 1.3


def write_lock(path: Path) -> None:
    """Write the target that is made here."""
    file = mido.MidiFile(ticks_per_beat=TICKS)
    first = mido.MidiTrack(
        [
            mido.MetaMessage("track_name", name=LOCK_SONG),
            mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(LOCK_BPM)),
            mido.MetaMessage("time_signature", numerator=3, denominator=4),
            mido.MetaMessage("end_of_track", time=24 * TICKS),
        ]
    )
    file.tracks.append(first)
    for number, (name, program, velocity, line) in enumerate(LOCK):
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
        about = {"channel": number + (number > 8)}
        track.append(mido.Message("program_change", program=program, **about))
        waited = 0
        for word in line.split():
            names, _, beats = word.partition(":")
            length = round(float(beats) * TICKS)
            pitches = [] if names == "r" else [_pitch(each) for each in names.split("+")]
            for index, pitch in enumerate(pitches):
                time = waited if index == 0 else 0
                loud = velocity + (7 * index + len(track)) % 9 - 4
                track.append(mido.Message("note_on", note=pitch, velocity=loud, time=time, **about))
            for index, pitch in enumerate(pitches):
                time = length if index == 0 else 0
                track.append(mido.Message("note_off", note=pitch, time=time, **about))
            waited = 0 if pitches else waited + length
        file.tracks.append(track)
    file.save(path)


def _pitch(name: str) -> int:
    return STEPS[name[0]] + name.count("#") - name.count("b") + 12 * (int(name[-1]) + 1)


@dataclass(frozen=True)
class MadeDay:
    """The packs of the day, what its players can play, and the path of `day.toml`."""

    day_toml: Path
    pieces: dict[str, Piece]
    desks: dict[str, dict[int, tuple[np.ndarray, ...]]]


def made_day(
    folder: Path, *, bank: Path = FLUID_R3, letters: Sequence[str] = "ABCD", **stroke: int
) -> MadeDay:
    """Write packs and `day.toml`, and render the notes, by another `stroke` if one is given."""
    write_lock(folder / "lock.mid")
    pieces = {}
    for letter in letters:
        song, name, bars = INSERTS[letter]
        path = folder / name if name == "lock.mid" else EXAMPLES / "studies" / name
        settings = Settings(
            letter=letter,
            title=song,
            bars=bars,
            count_in_bars=1,
            session_start="01:00:00:00",
            room=Room(REVERBERATION_S, 0.0),
            only=(Section.COPYIST, Section.ENGINEER),
        )
        plan = plan_file(path, settings)
        write_pack(plan, folder / letter)
        pieces[letter] = piece_of(letter, plan, folder, bank=bank, **stroke)
    (folder / "day.toml").write_text(_day_toml(letters))
    desks = {letter: with_desks(piece) for letter, piece in pieces.items()}
    return MadeDay(folder / "day.toml", pieces, desks)


def _day_toml(letters: Sequence[str]) -> str:
    lines = [f'[[pack]]\nfolder = "{letter}"\n' for letter in letters]
    for spot in MICROPHONES:
        lines.append(f'[[microphone]]\nname = "{spot.name}"\n')
        if spot.section:
            lines.append(
                f'section = "{spot.section}"\ndistance_m = {CLOSE_M}\nclick_m = {CLICK_M}\n'
            )
    return "".join(lines)


def wrong_note(piece: Piece) -> int:
    """Return the note that is played a semitone too high."""
    parts = [part.index for part in piece.plan.parts if part.name == WRONG_PART]
    notes = [(note.played_off_s - note.played_on_s, i) for i, note in enumerate(piece.plan.notes)]
    return max(one for one in notes if piece.plan.notes[one[1]].part in parts)[1]


def faulty(piece: Piece, letter: str, number: int) -> Piece:
    """Return what is played in a take."""
    if (letter, number) == WRONG:
        return tuned(piece, WRONG_CENTS, {wrong_note(piece)})
    if (letter, number) == EARLY:
        return with_release_earlier(piece, EARLY_S)
    return piece


def cough(spot: Spot, length: int, at: int) -> np.ndarray:
    """Return a cough among the violas as a microphone hears it, its direct sound at 1 m being 1."""
    chance = np.random.default_rng(7)
    noise = chance.standard_normal(round(COUGH_S * RATE)) * np.hanning(round(COUGH_S * RATE))
    return heard_at(spot, [Tone(0, "violas", at, noise)], 0, length)


@dataclass(frozen=True)
class MadeTake:
    """A take in a reel: its phrase start, its end, and what was played."""

    letter: str
    number: int
    phrase_start: int
    piece: Piece
    tones: tuple[Tone, ...]


@dataclass(frozen=True)
class Reel:
    """Two hours in a minute: files of all microphones that run together."""

    paths: dict[str, Path]
    takes: tuple[MadeTake, ...]


Click = tuple[np.ndarray, int]
"""The sound of a click, and the frame of the phrase start in it."""


def made_reels(day: MadeDay, clicks: Mapping[str, Click], folder: Path, seed: int) -> list[Reel]:
    """Write the reels of the day."""
    return [
        _reel(day, clicks, letters, folder, 100 * seed + 10 * number)
        for number, letters in enumerate(REELS)
    ]


def _reel(
    day: MadeDay, clicks: Mapping[str, Click], letters: Sequence[str], folder: Path, seed: int
) -> Reel:
    at = round(START_S * RATE)
    takes: list[MadeTake] = []
    starts: list[int] = []
    for index, (letter, number) in enumerate((x, n) for x in letters for n in TAKES):
        piece = faulty(day.pieces[letter], letter, number)
        _, lead = clicks[letter]
        starts.append(at)
        desks = with_desks(piece) if (letter, number) == EARLY else day.desks[letter]
        tones = played(piece, desks, seed + index)
        takes.append(MadeTake(letter, number, at + lead, piece, tuple(tones)))
        plan = piece.plan
        needed = round(float(plan.length_s + plan.placement.roll_s) * RATE)
        needed -= round(SHORT_S * RATE) if (letter, number) == SHORT else 0
        end = at + lead + needed
        at = end + round(BETWEEN_S * RATE)
    paths = {}
    for spot in MICROPHONES:
        heard = _heard_reel(spot, takes, starts, clicks, end, seed)
        paths[spot.name] = folder / f"Day {letters[0]} {spot.name}.wav"
        soundfile.write(paths[spot.name], heard, RATE, subtype="PCM_24")
    return Reel(paths, tuple(takes))


def _heard_reel(
    spot: Spot,
    takes: Sequence[MadeTake],
    starts: Sequence[int],
    clicks: Mapping[str, Click],
    end: int,
    seed: int,
) -> np.ndarray:
    chance = np.random.default_rng(
        seed + 1000 * [each.name for each in MICROPHONES].index(spot.name)
    )
    heard = chance.standard_normal(end) * 10.0 ** (NOISE_DBFS / 20.0)
    bleed_db = BLEED_DB if spot.seat else BLEED_DB - 20.0
    late = round((CLICK_M if spot.seat else 4.0) / SOUND_M_S * RATE)
    for take, start in zip(takes, starts, strict=True):
        _add(
            heard,
            music(spot, take.tones, take.piece, take.letter, take.number),
            take.phrase_start - RATE,
        )
        click, _ = clicks[take.letter]
        _add(heard, click * 10.0 ** (bleed_db / 20.0) / np.abs(click).max(), start + late)
        if take is not takes[-1]:
            _add(heard, _chatter(spot, take, seed), _take_end(take))
    return heard


def _take_end(take: MadeTake) -> int:
    plan = take.piece.plan
    return take.phrase_start + round(float(plan.length_s + plan.placement.roll_s + 0.1) * RATE)


def music(
    spot: Spot, tones: Sequence[Tone], piece: Piece, letter: str = "", number: int = 0
) -> np.ndarray:
    """Return a take from 1 s before its phrase start on, as a microphone hears it, at its gain."""
    plan = piece.plan
    length = round((1.0 + float(plan.length_s + plan.placement.roll_s) + 0.2) * RATE)
    heard = heard_at(spot, tones, -RATE, length)
    gain = FULL / np.abs(heard).max()
    if (letter, number) == COUGHED:
        at = round((plan.placement.last_release_s + COUGH_AFTER_S) * RATE)
        heard = heard + _cough_gain(tones, at, length) * cough(spot, length, at + RATE)
    return heard * gain


def _cough_gain(tones: Sequence[Tone], at: int, length: int) -> float:
    """Return how loud the cough is, so that it stands `COUGH_DB` over the tail in the main one."""
    main, place = MICROPHONES[0], slice(at + RATE, at + RATE + round(COUGH_S * RATE))
    heard = heard_at(main, tones, -RATE, length)
    floor = 10.0 ** (NOISE_DBFS / 20.0) * np.abs(heard).max() / FULL
    tail = np.mean(heard[place] ** 2) + floor**2
    noise = np.mean(cough(main, length, at + RATE)[place] ** 2)
    return float(np.sqrt(tail / noise) * 10.0 ** (COUGH_DB / 20.0))


def _add(heard: np.ndarray, sound: np.ndarray, at: int) -> None:
    low, high = max(at, 0), min(at + len(sound), len(heard))
    heard[low:high] += sound[low - at : high - at]


def _chatter(spot: Spot, take: MadeTake, seed: int) -> np.ndarray:
    """Return what is heard between takes: a few notes at random, and a chair."""
    chance = np.random.default_rng(seed + take.phrase_start)
    length = round((BETWEEN_S - 0.2) * RATE)
    tones = [
        replace(take.tones[i], first=int(chance.integers(0, length // 2)))
        for i in chance.integers(0, len(take.tones), 6)
    ]
    chair = chance.standard_normal(RATE // 10) * np.hanning(RATE // 10) * 0.02
    tones.append(Tone(0, "cellos", length // 3, chair))
    heard = heard_at(spot, tones, 0, length)
    fade = np.minimum(1.0, np.arange(length)[::-1] / (0.1 * RATE))
    return 0.3 * heard * fade * FULL / max(np.abs(heard).max(), 1e-9)

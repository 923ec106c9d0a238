"""The kinds of files that retro reads, each with good examples and what is done with a damaged one.

Whatever is done may raise a `RetroError` of one line, and nothing else.
"""

import io
import json
import struct
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile

from retro.day.choose import joined_stretches, open_takes, planned
from retro.day.day_file import read_day_file
from retro.day.takes_document import (
    ChoiceDocument,
    JoinDocument,
    MicrophoneFile,
    StretchDocument,
    TakeDocument,
    TakesDocument,
    read_choice,
    read_takes,
)
from retro.measuring.measure import measure_take
from retro.model.encoding import encoded as model_encoded
from retro.model.settings import Settings
from retro.placement.inputs import Session
from retro.placement.place import place_plan
from retro.plan.compose import plan_file, plan_song
from retro.plan.document import plan_json
from retro.read.midi import read_song_bytes
from retro.read.plan_file import parse_plan
from retro.read.settings import read_settings
from retro.takes.assemble import refuse_unlike
from retro.takes.clip_of import ClipOf
from retro.takes.common_range import open_take, whole_range
from retro.takes.flip import FlipSettings, flip_take
from tests.read.hexfile import fixtures, load

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "examples"

OF = ClipOf(
    song="Study",
    letter="A",
    take="1",
    plan_sha256="0" * 64,
    phrase_start_frame=0,
    lateness_ms=None,
)
DAY = b"""\
title = "Saturday"
start = "10:00"
[[pack]]
folder = "packs/A"
minutes = 20
[[person]]
name = "Flute 2"
parts = ["Flute 2", "Piccolo"]
desks = 1
[[microphone]]
name = "Horns"
distance_m = 2.5
[[breaks]]
at = "11:30"
minutes = 15.5
"""


@dataclass(frozen=True)
class Kind:
    """A kind of file.

    Parameters
    ----------
    name
        For reports.
    seeds
        Good files.
    use
        Reads the bytes and does with them what a command would; the folder is its own.
    """

    name: str
    seeds: tuple[bytes, ...]
    use: Callable[[bytes, Path], None]


def _use_midi(data: bytes, _folder: Path) -> None:
    song = read_song_bytes(data, "song.mid")
    plan_json(plan_song(song, replace(Settings(), bars="1")))


def _use_settings(data: bytes, folder: Path) -> None:
    path = folder / "settings.toml"
    path.write_bytes(data)
    read_settings(path)


def _use_day(data: bytes, folder: Path) -> None:
    path = folder / "day.toml"
    path.write_bytes(data)
    read_day_file(path)


def _use_takes(data: bytes, folder: Path) -> None:
    path = folder / "takes.json"
    path.write_bytes(data)
    read_takes(path)


def _use_choice(data: bytes, folder: Path) -> None:
    """Read a choice, and look for its pack and its takes, which are not there or are of noise."""
    path = folder / "choice.json"
    path.write_bytes(data)
    choice = read_choice(path)
    soundfile.write(folder / "take.wav", np.zeros(300_000), 48_000)
    opened = open_takes(choice.takes, folder)
    first = opened[choice.stretches[0].take]
    planned(parse_plan(small_plan(), where="plan.json"), first, choice.end_frame, None)
    for row in joined_stretches(choice, opened):
        refuse_unlike(row)


def _use_plan(data: bytes, _folder: Path) -> None:
    place_plan(parse_plan(data, where="plan.json"), session=Session(rate=48_000))


def _use_take(data: bytes, folder: Path) -> None:
    """Flip a file, and measure it; nothing is written outside of the folder for it."""
    source, out = folder / "take.wav", folder / "out"
    source.write_bytes(data)
    take = open_take([source])
    span = whole_range(take)
    flip_take(
        take,
        out,
        start_frame=span.start,
        end_frame=span.end,
        settings=FlipSettings(overwrite=True, time_reference_samples=48_000, insert=OF),
    )


def _use_measured(data: bytes, folder: Path) -> None:
    source = folder / "take.wav"
    source.write_bytes(data)
    measure_take(source, parse_plan(small_plan(), where="plan.json"))


def small_plan() -> bytes:
    """Return the plan of two bars of a study."""
    settings = replace(Settings(), bars="1-2")
    return plan_json(plan_file(EXAMPLES / "studies" / "violin_run.mid", settings))


def small_takes() -> TakesDocument:
    """Return two takes in one file."""
    files = (MicrophoneFile(microphone="Main", path="take.wav"),)
    return TakesDocument(
        takes=tuple(
            TakeDocument(letter="A", number=number, files=files, phrase_start_frame=9_000 * number)
            for number in (1, 2)
        )
    )


def small_choice() -> ChoiceDocument:
    """Return a choice of two takes."""
    join = JoinDocument(
        at_frame=6_000, fade_frames=480, on="rest", bar=2, beat=1.0, asked_frame=6_100
    )
    return ChoiceDocument(
        letter="A",
        song="Study",
        words="A = 1:1, 2:2",
        plan="A/plan.json",
        plan_sha256="0" * 64,
        rate=48_000,
        takes=small_takes().takes,
        stretches=tuple(
            StretchDocument(
                take=take,
                words=f"bar {take}",
                start_frame=start,
                end_frame=end,
                frames_sha256=("0" * 64,),
            )
            for take, start, end in ((1, -100, 6_000), (2, 6_000, 260_000))
        ),
        joins=(join,),
        start_frame=-100,
        end_frame=260_000,
        placing_take=1,
        lateness_ms=None,
        notices=(),
    )


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + bytes(len(data) % 2)


def wave(*, coding: str = "PCM_24", channels: int = 2) -> bytes:
    """Return a WAV file of a tenth of a second, with the chunks that recorders write."""
    sound = 0.1 * np.sin(np.arange(4_800 * channels).reshape(-1, channels) * 0.05)
    buffer = io.BytesIO()
    soundfile.write(buffer, sound, 48_000, format="WAV", subtype=coding)
    body = buffer.getvalue()[12:]
    bext = bytearray(602)
    bext[0:4] = b"Take"
    struct.pack_into("<IIH", bext, 338, 96_000, 0, 2)
    cue = struct.pack("<I", 1) + struct.pack("<II4sIII", 1, 480, b"data", 0, 0, 480)
    labels = b"adtl" + _chunk(b"labl", struct.pack("<I", 1) + b"bar 1\0")
    extra = _chunk(b"bext", bytes(bext)) + _chunk(b"cue ", cue) + _chunk(b"LIST", labels)
    extra += _chunk(b"iXML", b"<BWFXML><PROJECT>x</PROJECT></BWFXML>")
    whole = b"WAVE" + extra + body
    return b"RIFF" + struct.pack("<I", len(whole)) + whole


def encoded(form: str, coding: str) -> bytes:
    """Return a file of another container."""
    sound = 0.1 * np.sin(np.arange(4_800) * 0.05)
    buffer = io.BytesIO()
    soundfile.write(buffer, sound, 48_000, format=form, subtype=coding)
    return buffer.getvalue()


def kinds() -> tuple[Kind, ...]:
    """Return every kind."""
    midi = [load(path) for path in fixtures("valid")]
    midi += [path.read_bytes() for path in sorted((EXAMPLES / "studies").glob("*.mid"))]
    settings = (EXAMPLES / "harbour_pageant.toml").read_bytes()
    plan = json.dumps(json.loads(small_plan())).encode()
    waves = (wave(), wave(coding="FLOAT", channels=1), wave(coding="PCM_16"))
    others = (
        encoded("AIFF", "PCM_16"),
        encoded("FLAC", "PCM_24"),
        encoded("W64", "PCM_24"),
        encoded("RF64", "PCM_16"),
    )
    return (
        Kind("SMF", tuple(midi), _use_midi),
        Kind("TOML settings", (settings,), _use_settings),
        Kind("plan.json", (plan,), _use_plan),
        Kind("day.toml", (DAY,), _use_day),
        Kind("takes.json", (model_encoded(small_takes()),), _use_takes),
        Kind("choice.json", (model_encoded(small_choice()),), _use_choice),
        Kind("WAV with bext, flipped", waves, _use_take),
        Kind("AIFF, FLAC, W64, RF64, flipped", others, _use_take),
        Kind("WAV, measured", waves[:1], _use_measured),
    )

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

from retro.measuring.measure import measure_take
from retro.model.settings import Settings
from retro.placement.inputs import Session
from retro.placement.place import place_plan
from retro.plan.compose import plan_file, plan_song
from retro.plan.document import plan_json
from retro.read.midi import read_song_bytes
from retro.read.plan_file import parse_plan
from retro.read.settings import read_settings
from retro.takes.common_range import open_take, whole_range
from retro.takes.flip import FlipSettings, flip_take
from tests.read.hexfile import fixtures, load

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "examples"


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
        settings=FlipSettings(overwrite=True, time_reference_samples=48_000),
    )


def _use_measured(data: bytes, folder: Path) -> None:
    source = folder / "take.wav"
    source.write_bytes(data)
    measure_take(source, parse_plan(small_plan(), where="plan.json"))


def small_plan() -> bytes:
    """Return the plan of two bars of a study."""
    settings = replace(Settings(), bars="1-2")
    return plan_json(plan_file(EXAMPLES / "studies" / "violin_run.mid", settings))


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
        Kind("WAV with bext, flipped", waves, _use_take),
        Kind("AIFF, FLAC, W64, RF64, flipped", others, _use_take),
        Kind("WAV, measured", waves[:1], _use_measured),
    )

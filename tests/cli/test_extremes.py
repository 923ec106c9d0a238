"""What is endless, huge or odd is refused at once, in one line, with little memory.

Each runs as a person runs it, with at most `MAX_S` seconds of work and `MAX_BYTES` of memory.
"""

import io
import os
import resource
import struct
import subprocess
import sys
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

from retro.errors import LimitError
from retro.plan.limits import MAX_WINDOW_S, refuse_too_much

ROOT = Path(__file__).parents[2]
TARGET = ROOT / "examples" / "studies" / "violin_run.mid"
ENDLESS = Path("/dev/zero")
MAX_S = 30
MAX_BYTES = 2 * 2**30
TICKS = 480

needs_endless = pytest.mark.skipif(not ENDLESS.exists(), reason="needs /dev/zero")


def bound() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MAX_BYTES, MAX_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (MAX_S, MAX_S))


def run(*words: object, cwd: Path, **environment: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "retro", *(os.fsencode(str(word)) for word in words)],
        capture_output=True,
        check=False,
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1", **environment},
        preexec_fn=bound,
    )


def assert_refused(done: subprocess.CompletedProcess[bytes], *says: str) -> None:
    line = done.stderr.decode()
    assert done.returncode == 1, line
    assert line.count("\n") == 1
    assert line.startswith("retro: ")
    assert "unexpected fault" not in line
    assert all(word in line for word in says)


def song(path: Path, notes: list[tuple[int, int, int]], *, bpm: float = 120.0) -> Path:
    """Write notes, given as first tick, end and pitch."""
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm))])
    events = [(on, 1, pitch) for on, _, pitch in notes] + [(end, 0, p) for _, end, p in notes]
    before = 0
    for tick, is_on, pitch in sorted(events):
        kind = "note_on" if is_on else "note_off"
        track.append(mido.Message(kind, note=pitch, velocity=64, time=tick - before))
        before = tick
    file = mido.MidiFile(ticks_per_beat=TICKS)
    file.tracks.append(track)
    file.save(path)
    return path


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plan")
    words = ("build", TARGET, "--out", "pack", "--bars", "1-2", "--only", "engineer", "--quiet")
    assert run(*words, cwd=folder).returncode == 0
    return folder / "pack" / "plan.json"


def commands(path: Path, kind: str, plan: Path) -> list[object]:
    """Return a command that reads a file in a place."""
    build = ["build", TARGET, "--out", "pack", "--bars", "1", "--quiet"]
    return {
        "settings": ["check", TARGET, "--bars", "1", "--settings", path],
        "target": ["show", path],
        "plan": ["place", path],
        "take": ["flip", path, "--out", "out"],
        "measured": ["measure", path, "--plan", plan],
        "bounce": [*build, "--only", "arranger", "--over", path],
        "score": [*build, "--only", "copyist", "--into", path],
        "song": ["draft", "a.mid", "--players", "flute", "--pitches", "C5", "--song", path],
    }[kind]


KINDS = ("settings", "target", "plan", "take", "measured", "bounce", "score", "song")


@needs_endless
@pytest.mark.parametrize("kind", KINDS)
def test_an_endless_file_is_refused(kind: str, plan: Path, tmp_path: Path) -> None:
    assert_refused(run(*commands(ENDLESS, kind, plan), cwd=tmp_path), "zero")


@pytest.mark.parametrize("kind", KINDS)
def test_a_sparse_file_of_20_gb_is_refused(kind: str, plan: Path, tmp_path: Path) -> None:
    path = tmp_path / "sparse"
    with path.open("wb") as file:
        file.truncate(20 * 10**9)
    assert_refused(run(*commands(path, kind, plan), cwd=tmp_path), "sparse")


@pytest.mark.parametrize("rate", [1, 5_000_000, 2**31 - 1])
@pytest.mark.parametrize("kind", ["measured", "bounce"])
def test_a_recording_that_claims_an_odd_rate_is_refused(
    kind: str, rate: int, plan: Path, tmp_path: Path
) -> None:
    buffer = io.BytesIO()
    soundfile.write(buffer, np.full(4_800, 0.1), 48_000, format="WAV", subtype="PCM_24")
    data = bytearray(buffer.getvalue())
    struct.pack_into("<I", data, data.index(b"fmt ") + 12, rate)
    path = tmp_path / "take.wav"
    path.write_bytes(data)
    done = run(*commands(path, kind, plan), cwd=tmp_path)
    assert_refused(done, f"claims {rate} frames a second")


def test_a_song_of_23_hours_is_shown_and_its_window_of_all_refused(tmp_path: Path) -> None:
    bars = 13_800
    notes = [(bar * 4 * TICKS, (bar * 4 + 1) * TICKS, 60) for bar in range(bars)]
    path = song(tmp_path / "long.mid", notes, bpm=40.0)
    assert run("show", path, cwd=tmp_path).returncode == 0
    words = ("build", path, "--out", "pack", "--bars", f"1-{bars}", "--only", "engineer")
    assert_refused(run(*words, cwd=tmp_path), "82800 s", "choose fewer bars")
    assert run(*words[:5], "9000", *words[6:], "--quiet", cwd=tmp_path).returncode == 0


def test_190_000_notes_on_one_beat_are_refused(tmp_path: Path) -> None:
    path = song(tmp_path / "crowd.mid", [(0, TICKS, i % 128) for i in range(190_000)])
    done = run("build", path, "--out", "pack", cwd=tmp_path)
    assert_refused(done, "bar 1", "more than 256 notes begin within one quarter note")


@pytest.mark.parametrize("encoding", ["utf-8", "latin-1", "ascii"])
def test_a_file_name_that_is_no_text_is_built(encoding: str, tmp_path: Path) -> None:
    name = os.fsdecode(b"take \xff \xe4.mid")
    (tmp_path / name).write_bytes(TARGET.read_bytes())
    out = os.fsdecode(b"pack \xff")
    words = ("build", name, "--out", out, "--bars", "1", "--only", "engineer")
    done = run(*words, cwd=tmp_path, PYTHONIOENCODING=encoding)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / out / "pack.json").is_file()
    done.stderr.decode(encoding)


def test_a_take_whose_name_is_no_text_is_flipped_or_refused(tmp_path: Path) -> None:
    name = os.fsdecode(b"take \xff.wav")
    with (tmp_path / name).open("wb") as file:
        soundfile.write(file, np.full(480, 0.1), 48_000, format="WAV", subtype="PCM_24")
    assert_refused(run("flip", name, "--out", "out", cwd=tmp_path), r"take \udcff")
    names = ("--names", "clip{suffix}")
    done = run("flip", name, "--out", "out", "--quiet", *names, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "out" / "clip.wav").is_file()


@pytest.mark.parametrize("encoding", ["latin-1", "cp437"])
def test_every_command_speaks_into_a_stream_that_lacks_letters(
    encoding: str, plan: Path, tmp_path: Path
) -> None:
    path = tmp_path / "\u266b.mid"
    path.write_bytes(TARGET.read_bytes())
    for words in (["show", path], ["check", path, "--bars", "1"], ["place", plan]):
        done = run(*words, cwd=tmp_path, PYTHONIOENCODING=encoding)
        assert done.returncode == 0, done.stderr
        done.stdout.decode(encoding)
        done.stderr.decode(encoding)


def test_the_largest_window_is_refused_by_its_rate_and_its_players() -> None:
    refuse_too_much(MAX_WINDOW_S, 100, 48_000)
    for length_s, players, rate in ((MAX_WINDOW_S, 1, 192_000), (MAX_WINDOW_S, 120, 48_000)):
        with pytest.raises(LimitError, match=f"at {rate} Hz are more than"):
            refuse_too_much(length_s, players, rate)

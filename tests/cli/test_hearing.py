"""What is said while a bank of sounds is listened to for the first time."""

import os
import pty
import subprocess
import sys

import pytest

from tests.example import TARGET
from tests.sounds.conftest import bank

__all__ = ["bank"]

COUNTED = "listening to the bank of sounds: "


def command(bank, out, *flags):
    study = TARGET.parent / "studies" / "violin_run.mid"
    words = ["build", str(study), "--out", str(out), "--soundfont", str(bank.path), *flags]
    return [sys.executable, "-m", "retro", *words, "--only", "engineer"]


@pytest.fixture
def environment(tmp_path):
    return {**os.environ, "XDG_CACHE_HOME": str(tmp_path / "cache")}


def test_a_line_says_so_once_and_nothing_where_all_is_known(bank, environment, tmp_path):
    said = [
        subprocess.run(
            command(bank, tmp_path / out),
            env=environment,
            check=True,
            capture_output=True,
            text=True,
        ).stderr.splitlines()
        for out in ("first", "second")
    ]
    assert said[0].count("listening to the bank of sounds") == 1
    assert not any("listening" in line for line in said[1])


def test_a_quiet_build_says_nothing_of_it(bank, environment, tmp_path):
    done = subprocess.run(
        command(bank, tmp_path / "out", "--quiet"),
        env=environment,
        check=True,
        capture_output=True,
        text=True,
    )
    assert done.stderr == ""


def test_a_terminal_is_shown_how_far_it_is_in_one_line(bank, environment, tmp_path):
    ours, theirs = pty.openpty()
    with subprocess.Popen(command(bank, tmp_path / "out"), env=environment, stderr=theirs) as build:
        os.close(theirs)
        said = b""
        while piece := _read(ours):
            said += piece
    os.close(ours)
    assert build.returncode == 0
    first = said.decode().split("\n")[0]
    counts = [line.removeprefix(COUNTED) for line in first.strip("\r").split("\r")]
    assert counts[0].startswith("0 of ")
    tones = counts[0].split()[2]
    assert counts[-1] == f"{tones} of {tones} tones"
    assert len(counts) == 1 + -(-int(tones) // 40)


def _read(terminal):
    try:
        return os.read(terminal, 4096)
    except OSError:  # how Linux says that the other end is closed
        return b""

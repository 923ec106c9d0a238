"""Whatever fails is one line: no traceback, no control characters, the shell's exit codes."""

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from retro.cli import app
from retro.errors import RetroError

ROOT = Path(__file__).parents[2]
TARGET = ROOT / "examples" / "studies" / "violin_run.mid"

FAILING = """
import sys, warnings
import retro.cli as cli
def show(*_, **__):
    {body}
commands = cli.app.registered_commands
commands[:] = [one for one in commands if one.callback is not cli.show]
cli.app.command(name="show")(lambda: show())
sys.argv = ["retro", "show"]
cli.main()
"""


def run(*arguments: object, **environment: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "retro", *map(os.fsencode, map(str, arguments))],
        capture_output=True,
        check=False,
        cwd=ROOT,
        env={**os.environ, **environment},
    )


def run_failing(body: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", FAILING.format(body=body)],
        capture_output=True,
        check=False,
        text=True,
        cwd=ROOT,
        env={**os.environ, **environment},
    )


def the_line(done: subprocess.CompletedProcess[str]) -> str:
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("retro: ")
    return done.stderr.strip()


def test_a_fault_that_nobody_foresaw_is_one_line_and_leaves_its_trace(tmp_path):
    done = run_failing("raise KeyError('a\\x1b[31m')", TMPDIR=str(tmp_path))
    line = the_line(done)
    found = re.fullmatch(r"retro: unexpected fault: KeyError: .*; the full trace is in (\S+)", line)
    assert found
    trace = Path(found[1])
    assert trace.parent == tmp_path
    assert "Traceback" in trace.read_text()
    assert "\x1b" not in line


def test_a_trace_that_cannot_be_written_is_no_second_fault():
    body = "import tempfile; tempfile.tempdir = '/nowhere'; raise ValueError('x')"
    assert the_line(run_failing(body)).endswith("; the full trace could not be written")


def test_a_lack_of_memory_says_what_to_do():
    assert "choose fewer bars" in the_line(run_failing("raise MemoryError"))


def test_an_error_of_a_library_that_fills_the_disk_is_one_line():
    body = "import soundfile; raise soundfile.LibsndfileError(2)"
    assert "LibsndfileError" in the_line(run_failing(body))


@pytest.mark.parametrize("name", ["a\x1b[31mb.mid", "a\nb.mid", "a\x07\u202eb.mid", "a\udcffb.mid"])
def test_names_of_files_steer_no_terminal(tmp_path, name):
    done = run("show", tmp_path / name)
    assert done.returncode == 1
    assert done.stderr.count(b"\n") == 1
    assert done.stderr.decode().strip().isprintable()


def test_warnings_of_libraries_do_not_reach_the_person():
    done = run_failing("warnings.warn('old'); raise MemoryError")
    assert "old" not in the_line(done)


@pytest.mark.parametrize("encoding", ["latin-1", "ascii"])
def test_a_stream_that_lacks_letters_gets_escapes(encoding):
    done = run("check", TARGET, PYTHONIOENCODING=encoding)
    assert done.returncode == 0, done.stderr
    assert b"Traceback" not in done.stderr
    done.stdout.decode(encoding)
    body = "print('\\u2013 \\u266d'); raise MemoryError"
    assert r"\u2013 \u266d" in run_failing(body, PYTHONIOENCODING=encoding).stdout


def test_an_interrupt_ends_with_130():
    process = subprocess.Popen(
        [
            sys.executable,
            "-c",
            FAILING.format(body="print(1, flush=True); import time; time.sleep(60)"),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=ROOT,
    )
    assert process.stdout.readline() == b"1\n"
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=30)
    assert (process.returncode, said) == (130, b"retro: stopped\n")


@pytest.mark.parametrize("count", [1, 100_000])
def test_an_output_that_nobody_reads_ends_with_141(count):
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(
        [sys.executable, "-c", FAILING.format(body=f"print('x' * {count})")],
        stdout=write,
        stderr=subprocess.PIPE,
        check=False,
        cwd=ROOT,
    )
    os.close(write)
    assert (done.returncode, done.stderr) == (141, b"")


@pytest.mark.parametrize(
    "words", [["show", "."], ["check", ""], ["probe", ".", "--out", "probe.mid"], ["listen", "."]]
)
def test_a_folder_in_place_of_a_target_is_refused_in_one_line(
    words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(app, words)
    assert isinstance(done.exception, RetroError)
    assert "this is a folder; name the MIDI file or the score inside it" in str(done.exception)
    assert list(tmp_path.iterdir()) == []

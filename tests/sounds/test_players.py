"""Players: processes that play banks, and end with who asks them."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from retro.errors import BankError
from retro.sounds import players
from retro.sounds.line import smf
from retro.sounds.player import played
from retro.sounds.players import Players
from retro.sounds.soundfont import SoundFont
from tests.sounds.test_bank import scale


@pytest.fixture(scope="module")
def content(bank):
    return SoundFont.read(bank.path).only([(0, 73)])


@pytest.fixture
def two():
    made = Players(2)
    yield made
    made.end()


def test_several_at_once_play_what_one_plays(two, content):
    files = [scale(0, 73), scale(0, 48), scale(0, 60)] * 2
    wanted = [played(content, midi) for midi in files]
    assert two.at_once(lambda midi: two.play(content, midi), files) == wanted
    assert 1 <= len(two._idle) <= 2
    one = Players(1)
    assert one.at_once(lambda midi: one.play(content, midi), files) == wanted
    one.end()


def test_a_bank_that_cannot_be_played_is_refused_and_the_player_plays_on(two, content):
    with pytest.raises(BankError):
        two.play(b"no bank", scale(0, 73))
    assert two.play(content, scale(0, 73)) == played(content, scale(0, 73))
    assert len(two._idle) == 1


def test_a_player_that_dies_is_told_of_and_the_next_one_plays(two, content):
    two.play(content, scale(0, 73))
    two._idle[0].kill()
    two._idle[0].wait()
    with pytest.raises(BankError, match="the player has ended"):
        two.play(content, scale(0, 73))
    assert two.play(content, scale(0, 73)) == played(content, scale(0, 73))


def test_who_is_interrupted_waits_for_no_sound(two, content):
    """An hour of silence takes a player ten seconds."""
    hour = smf([], 3_600 * 48_000)
    two.at_once(lambda midi: two.play(content, midi), [scale(0, 73)] * 4)

    def play(midi):
        if midi == hour:
            return two.play(content, hour)
        while not two._busy:
            time.sleep(0.01)
        raise KeyboardInterrupt

    began = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        two.at_once(play, [scale(0, 73), hour])
    assert time.monotonic() - began < 5.0
    assert not two._busy
    assert two.play(content, scale(0, 73)) == played(content, scale(0, 73))


def test_where_no_process_can_be_started_this_one_plays(content, monkeypatch):
    monkeypatch.setattr(players.sys, "executable", "/nowhere/python")
    alone = Players(2)
    assert alone.play(content, scale(0, 73)) == played(content, scale(0, 73))
    assert alone._idle == []


ASKS = """
import os, sys, time
from retro.sounds.players import Players
from retro.sounds.soundfont import SoundFont
from pathlib import Path
two = Players(2)
midi = bytes.fromhex(sys.argv[2])
two.play(SoundFont.read(Path(sys.argv[1])).only([(0, 73)]), midi)
print(two._idle[0].pid, flush=True)
time.sleep(60)
"""


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks into /proc")
def test_players_end_with_who_asks_even_if_that_is_killed(bank):
    command = [sys.executable, "-c", ASKS, str(bank.path), scale(0, 73).hex()]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as asks:
        player = Path("/proc") / asks.stdout.readline().decode().strip()
        assert player.is_dir()
        asks.send_signal(signal.SIGKILL)
    until = time.monotonic() + 10
    while player.is_dir() and _is_running(player):
        assert time.monotonic() < until
        time.sleep(0.02)


def _is_running(player: Path) -> bool:
    try:
        return (player / "stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def test_an_interrupt_ends_who_asks_and_no_player_says_anything(two, content):
    two.play(content, scale(0, 73))
    process = two._idle[0]
    os.kill(process.pid, signal.SIGINT)
    assert two.play(content, scale(0, 73))
    assert process.poll() is None

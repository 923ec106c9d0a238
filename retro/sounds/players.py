"""Players of banks, as many at once as the machine has processors for.

The library that plays keeps a whole process busy while it plays, and some damaged banks end the
process. So each player is one of its own, which reads what it shall play and nothing else, and ends
when nobody asks any more.
"""

import atexit
import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import IO, TypeVar

from retro.errors import BankError
from retro.sounds.player import ask, played

MAX_PLAYERS = 4
"""Most players at once: each of them holds the bank and the sound that it plays."""

END_S = 2.0
"""How long a player may take to end."""

Asked = TypeVar("Asked")
Answer = TypeVar("Answer")


class Players:
    """Plays, in processes of its own.

    It may be asked from several threads.

    Parameters
    ----------
    most
        How many there may be.
    """

    def __init__(self, most: int) -> None:
        self.most = most
        self._turns = threading.Semaphore(most)
        self._idle: list[subprocess.Popen[bytes]] = []
        self._busy: set[subprocess.Popen[bytes]] = set()

    def play(self, bank: bytes, midi: bytes) -> bytes:
        """Return what a Standard MIDI File sounds like, as a WAV file.

        Raises
        ------
        BankError
            If the player cannot read the bank.
        """
        with self._turns:
            process = self._process()
            if process is None:
                return played(bank, midi)
            self._busy.add(process)
            try:
                sink, source = _pipes(process)
                answer = ask(sink, source, bank, midi)
            except BankError:
                self._idle.append(process)
                raise
            except (OSError, EOFError):
                _end(process)
                raise BankError("the player has ended in the middle") from None
            except BaseException:
                _end(process)
                raise
            finally:
                self._busy.discard(process)
            self._idle.append(process)
            return answer

    def at_once(self, function: Callable[[Asked], Answer], items: Iterable[Asked]) -> list[Answer]:
        """Return a function of every item, several worked out at once."""
        if self.most < 2:
            return [function(item) for item in items]
        with ThreadPoolExecutor(self.most) as threads:
            try:
                return list(threads.map(function, items))
            except KeyboardInterrupt:
                # The person who stopped it waits for no sound to be played to its end.
                for process in list(self._busy):
                    process.kill()
                raise

    def end(self) -> None:
        """End those that nobody asks."""
        while self._idle:
            _end(self._idle.pop())

    def _process(self) -> subprocess.Popen[bytes] | None:
        """Return a process that plays; None where none can be started."""
        try:
            return self._idle.pop()
        except IndexError:
            return _started()


def _started() -> subprocess.Popen[bytes] | None:
    package = str(Path(__file__).parents[2])
    paths = os.pathsep.join(filter(None, (package, os.environ.get("PYTHONPATH"))))
    try:
        return subprocess.Popen(
            (sys.executable, "-P", "-m", "retro.sounds.player"),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "PYTHONPATH": paths},
        )
    except OSError:
        return None


def _pipes(process: subprocess.Popen[bytes]) -> tuple[IO[bytes], IO[bytes]]:
    if process.stdin is None or process.stdout is None:
        raise EOFError
    return process.stdin, process.stdout


def _end(process: subprocess.Popen[bytes]) -> None:
    for pipe in _pipes(process):
        with contextlib.suppress(OSError):
            pipe.close()
    try:
        process.wait(END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _processors() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


PLAYERS = Players(min(_processors(), MAX_PLAYERS))
"""Those of this process."""

atexit.register(PLAYERS.end)

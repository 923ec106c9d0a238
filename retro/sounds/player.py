"""Plays one MIDI file with one bank; run as a program, one after the other for another process.

As a program it reads questions from its input until that ends: sizes, bank, MIDI file. It answers
with whether it could, a size, and the WAV file or why not.
"""

import importlib
import platform
import signal
import struct
import sys
from typing import IO, Any

from retro.errors import BankError

QUESTION = struct.Struct("<II")
ANSWER = struct.Struct("<?I")
DAMAGED = "it is damaged"

BUILT_FOR = ("x86_64", "amd64")
"""Machines that the library has wheels for; for those of Apple whatever they are."""


def player() -> Any:
    """Return the library that plays.

    Raises
    ------
    BankError
        If it is not installed, or there is none for this machine.
    """
    try:
        return importlib.import_module("midirenderer")
    except ImportError:
        pass
    system, machine = platform.system(), platform.machine()
    if system != "Darwin" and machine.lower() not in BUILT_FOR:
        raise BankError(
            f"a bank is played by a library of which there is none for {system} on {machine}",
            advice="`retro probe` and `retro learn` take the sounds of any sampler instead",
        )
    raise BankError(
        "a bank is played by a library that is not installed",
        advice="pip install 'retro[sounds]'",
    )


def played(bank: bytes, midi: bytes) -> bytes:
    """Return what a Standard MIDI File sounds like, as a WAV file.

    Raises
    ------
    BankError
        If the player cannot read the bank.
    """
    try:
        return bytes(player().render_wave_from(bank, midi))
    except BankError:
        raise
    except Exception as fault:
        raise BankError(str(fault)) from None
    except BaseException as fault:
        if type(fault).__name__ != "PanicException":  # how a fault in the player arrives
            raise
        raise BankError(DAMAGED) from None


def ask(sink: IO[bytes], source: IO[bytes], bank: bytes, midi: bytes) -> bytes:
    """Ask a process that runs this program to play, and return the WAV file.

    Raises
    ------
    BankError
        If it cannot.
    OSError, EOFError
        If it has ended.
    """
    for part in (QUESTION.pack(len(bank), len(midi)), bank, midi):
        sink.write(part)
    sink.flush()
    is_played, size = ANSWER.unpack(_read(source, ANSWER.size))
    answer = _read(source, size)
    if not is_played:
        raise BankError(answer.decode())
    return answer


def serve(source: IO[bytes], sink: IO[bytes]) -> None:
    """Answer questions until there are no more."""
    while True:
        try:
            bank_size, midi_size = QUESTION.unpack(_read(source, QUESTION.size))
            bank, midi = _read(source, bank_size), _read(source, midi_size)
        except EOFError:
            return
        try:
            is_played, answer = True, played(bank, midi)
        except BankError as refusal:
            is_played, answer = False, refusal.what.encode()
        sink.write(ANSWER.pack(is_played, len(answer)))
        sink.write(answer)
        sink.flush()


def _read(source: IO[bytes], size: int) -> bytes:
    content = source.read(size)
    if len(content) < size:
        raise EOFError
    return content


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the process that asks
    serve(sys.stdin.buffer, sys.stdout.buffer)

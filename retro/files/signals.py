"""A polite end: the signals that ask a program to stop become an exception while it writes."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

ENDING = tuple(getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name))
"""An interrupt is an exception already."""


@contextmanager
def ending_by_exception() -> Iterator[None]:
    """Let what is begun be undone when the program is asked to end, too.

    Raises
    ------
    SystemExit
        With 128 and the signal's number, as shells count, when such a signal comes.
    """
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread is told of signals
        return
    before = {number: signal.getsignal(number) for number in ENDING}
    usual = [number for number, handler in before.items() if handler is signal.SIG_DFL]
    for number in usual:
        signal.signal(number, _end)
    try:
        yield
    finally:
        for number in usual:
            signal.signal(number, signal.SIG_DFL)


def _end(number: int, _: FrameType | None) -> None:
    raise SystemExit(128 + number)

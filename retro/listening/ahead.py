"""Makes what will be asked for next while something else is still worked out."""

import contextlib
import threading
from collections.abc import Callable

Still = Callable[[], bool]
"""Says whether what is made is still wanted."""


class Ahead:
    """Makes the latest wish in a thread of its own; those before are given up where they can be."""

    def __init__(self) -> None:
        self._latest = 0

    def begin(self, make: Callable[[Still], object]) -> None:
        """Begin to make what a function makes, which asks now and then whether it is wanted.

        What goes wrong is not told: it goes wrong again for the one who asks.
        """
        self._latest += 1
        own = self._latest

        def work() -> None:
            with contextlib.suppress(Exception):
                make(lambda: own == self._latest)

        threading.Thread(target=work, daemon=True).start()

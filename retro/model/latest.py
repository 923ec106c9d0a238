"""Keeps what was made for the latest questions, so that nothing is made twice in a row."""

import functools
import threading
from collections.abc import Callable
from typing import Generic, ParamSpec, TypeVar

Key = TypeVar("Key")
Value = TypeVar("Value")
Asked = ParamSpec("Asked")


class Latest(Generic[Key, Value]):
    """The values of the latest keys; each is made once, whoever asks.

    At most `most` are kept; `weigh` says what a value weighs, and `heaviest` how much may be kept
    beside the latest.
    """

    def __init__(
        self, most: int, weigh: Callable[[Value], int] = lambda _: 0, heaviest: int = 0
    ) -> None:
        self._most, self._weigh, self._heaviest = most, weigh, heaviest
        self._kept: list[tuple[Key, Value]] = []
        self._lock = threading.Lock()

    def get(self, key: Key, make: Callable[[], Value]) -> Value:
        """Return the value of a key, made if it is not kept."""
        with self._lock:
            # Keys are large and unhashed: equal ones share most of their objects.
            index = next((i for i, (other, _) in enumerate(self._kept) if other == key), None)
            pair = (key, make()) if index is None else self._kept.pop(index)
            self._kept.append(pair)
            del self._kept[: -self._most]
            while len(self._kept) > 1 and self._weight() > self._heaviest:
                del self._kept[0]
            return pair[1]

    def _weight(self) -> int:
        return sum(self._weigh(value) for _, value in self._kept)


def remembered(most: int) -> Callable[[Callable[Asked, Value]], Callable[Asked, Value]]:
    """Let a function remember what it returned for its latest arguments, so many of them.

    Arguments are compared and not hashed: phrases are large, and share their parts.
    """

    def remembering(function: Callable[Asked, Value]) -> Callable[Asked, Value]:
        latest: Latest[tuple[object, ...], Value] = Latest(most)

        @functools.wraps(function)
        def asked(*values: Asked.args, **named: Asked.kwargs) -> Value:
            key = (*values, *sorted(named.items()))
            return latest.get(key, lambda: function(*values, **named))

        return asked

    return remembering

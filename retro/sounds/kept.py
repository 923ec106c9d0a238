"""Keeps what was made, the latest of it, up to a weight."""

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


class Kept(Generic[Key, Value]):
    """The values of the latest keys; so much is kept as `heaviest` by what `weigh` says of each.

    It may be asked from several threads; two that ask for one key at once may both make it.
    """

    def __init__(self, weigh: Callable[[Value], int], heaviest: int) -> None:
        self._weigh, self._heaviest = weigh, heaviest
        self._values: OrderedDict[Key, Value] = OrderedDict()
        self._weight = 0
        self._lock = threading.Lock()

    def get(self, key: Key, make: Callable[[], Value]) -> Value:
        """Return the value of a key, made if it is not kept."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                return self._values[key]
        value = make()
        with self._lock:
            if key not in self._values:
                self._values[key] = value
                self._weight += self._weigh(value)
            while self._weight > self._heaviest:
                _, oldest = self._values.popitem(last=False)
                self._weight -= self._weigh(oldest)
        return value

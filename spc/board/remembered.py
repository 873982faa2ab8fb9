"""A bounded memory of results that threads may share: the ones asked for the longest time ago go first."""

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

__all__ = ["Remembered"]

K = TypeVar("K", bound=Hashable)
V = TypeVar("V")


class Remembered(Generic[K, V]):
    """Results by what they were made from.

    Parameters
    ----------
    most : int
        Results remembered.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = threading.Lock()  # never held while a result is made: two threads may make the same one
        self._found: OrderedDict[K, V] = OrderedDict()

    def get(self, key: K, make: Callable[[], V]) -> V:
        """Give what is remembered under the key, made when it is not."""
        with self._lock:
            if key in self._found:
                self._found.move_to_end(key)
                return self._found[key]
        made = make()
        with self._lock:
            self._found[key] = made
            while len(self._found) > self._most:
                self._found.popitem(last=False)
        return made

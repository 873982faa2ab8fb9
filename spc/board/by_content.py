"""Remembers what was computed from arrays by what they hold: most cycles of a lap stay as they are for long."""

import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Any, TypeVar

from numpy.typing import NDArray

__all__ = ["by_content"]

T = TypeVar("T")


def by_content(function: Callable[..., T], *, most: int) -> Callable[..., T]:
    """Give a function that remembers what another gave for arrays of the same content.

    Parameters
    ----------
    function : callable
        Takes numpy arrays only, by place, and depends on nothing else; what it gives is never written to.
    most : int
        Results remembered; those asked for the longest time ago go first.

    Returns
    -------
    callable
        Safe to share between threads.
    """
    lock = threading.Lock()  # never held while a result is made
    found: OrderedDict[tuple[object, ...], T] = OrderedDict()

    def remembered(*arrays: NDArray[Any]) -> T:
        key = tuple((each.dtype.str, each.shape, each.tobytes()) for each in arrays)
        with lock:
            if key in found:
                found.move_to_end(key)
                return found[key]
        result = function(*arrays)
        with lock:
            found[key] = result
            while len(found) > most:
                found.popitem(last=False)
        return result

    return remembered

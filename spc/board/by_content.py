"""Remembers what was computed from arrays by what they hold: most cycles of a lap stay as they are for long."""

from collections.abc import Callable
from typing import Any, TypeVar

from numpy.typing import NDArray

from spc.board.remembered import Remembered

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
    found: Remembered[tuple[object, ...], T] = Remembered(most)

    def remembered(*arrays: NDArray[Any]) -> T:
        key = tuple((each.dtype.str, each.shape, each.tobytes()) for each in arrays)
        return found.get(key, lambda: function(*arrays))

    return remembered

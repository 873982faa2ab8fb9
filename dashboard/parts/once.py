"""What a tap on a button does, it does once.

A browser holds what is pressed until it has sent it, and the pulse of a page sends all that the browser holds at every
beat: a tap in the very moment of a beat arrives twice, though the hand tapped once. A second tap on a button that has
not been drawn anew meanwhile is no second answer either: nobody has seen yet what came of the first.
"""

from collections.abc import Callable
from typing import ParamSpec

__all__ = ["once"]

_P = ParamSpec("_P")


def once(act: Callable[_P, object]) -> Callable[_P, None]:
    """Return what a button calls when tapped: `act`, once for each time that the button is drawn."""
    done = False

    def tapped(*args: _P.args, **kwargs: _P.kwargs) -> None:
        nonlocal done
        if not done:
            done = True
            act(*args, **kwargs)

    return tapped

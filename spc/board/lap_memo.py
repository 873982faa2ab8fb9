"""What is known of each lap and still holds: results used again as long as they were made from these very objects.

A new face on one lap leaves the others as they were. Their frames are handed out as the same objects, look after look,
and so is all that was made from them; nothing is trusted by its name.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from typing import Any, TypeVar, cast

import pandas as pd

from spc.store.store import Store

__all__ = ["LapMemo", "memo_of"]

T = TypeVar("T")

_MOST_STORES = 2  # remembered at once: a long-running screen looks at one


class LapMemo:
    """Frames and results of the laps of one store; safe to share between threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()  # never held while a result is made
        self._found: dict[str, dict[str, tuple[tuple[object, ...], object]]] = {}

    def same(self, lap: str, name: str, value: T) -> T:
        """Give the value that was equal to this one the last time, the very object, else this one.

        Parameters
        ----------
        lap, name : str
        value : object
            Frames are compared by their content, all else by ==.
        """
        held = self._found.get(lap, {}).get(name)
        if held is not None and type(held[1]) is type(value):
            before: Any = held[1]
            now: Any = value
            if before.equals(now) if isinstance(before, pd.DataFrame) else before == now:
                return cast(T, before)
        return self.keep(lap, name, (), value)

    def found(self, lap: str, name: str, made_from: Sequence[object]) -> object | None:
        """Give the result made before from these very objects, None when there is none."""
        held = self._found.get(lap, {}).get(name)
        return held[1] if held is not None and _same(held[0], made_from) else None

    def keep(self, lap: str, name: str, made_from: Sequence[object], result: T) -> T:
        """Remember a result by all that it hangs on, in place of the one before.

        What was made from the frames of the one before is never asked for again, and dropped.
        """
        with self._lock:
            of_lap = self._found.setdefault(lap, {})
            before = of_lap.get(name)
            of_lap[name] = tuple(made_from), result
            gone = _frames(before[1]) if before is not None else []
            if gone:
                for key, (inputs, _) in [*of_lap.items()]:
                    if any(one is old for one in inputs for old in gone):
                        del of_lap[key]
        return result

    def once(self, lap: str, name: str, made_from: Sequence[object], compute: Callable[[], T]) -> T:
        """Give the result made before from these very objects, else make it.

        Parameters
        ----------
        lap, name : str
        made_from : sequence of object
            All that the result hangs on; compared by identity, and held so that an identity is never given twice.
        compute : callable
        """
        held = self._found.get(lap, {}).get(name)
        if held is not None and _same(held[0], made_from):
            return cast(T, held[1])
        return self.keep(lap, name, made_from, compute())


_LOCK = threading.Lock()
_MEMOS: OrderedDict[tuple[object, ...], LapMemo] = OrderedDict()


def memo_of(store: Store, *asked: object) -> LapMemo:
    """Find the memo of a store for looks that ask the same of it; inside a change not yet kept a fresh one."""
    if store.connection.in_transaction:
        return LapMemo()
    key = (str(store.path.resolve()), store.born_us(), *asked)
    with _LOCK:
        memo = _MEMOS.setdefault(key, LapMemo())
        _MEMOS.move_to_end(key)
        while len(_MEMOS) > _MOST_STORES:
            _MEMOS.popitem(last=False)
    return memo


def _same(before: Sequence[object], now: Sequence[object]) -> bool:
    return len(before) == len(now) and all(a is b for a, b in zip(before, now, strict=True))


def _frames(result: object) -> list[object]:
    """Frames that a result is, or holds side by side."""
    return [one for one in (result if isinstance(result, tuple) else (result,)) if isinstance(one, pd.DataFrame)]

"""What is known of each lap and still holds: frames that came out equal again, and what was made from them alone.

A new face on one lap leaves the others as they were. Their frames are handed out as the same objects, look after look,
and a result is used again as long as it was made from these very objects; nothing is trusted by its name.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from typing import TypeVar, cast

import numpy as np
import pandas as pd

from spc.store.store import Store

__all__ = ["LapMemo", "memo_of"]

T = TypeVar("T")

_MOST_STORES = 2  # remembered at once: a long-running screen looks at one


class LapMemo:
    """Frames and results of the laps of one store; safe to share between threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()  # never held while a result is made
        self._frames: dict[tuple[str, str], tuple[tuple[object, ...], pd.DataFrame]] = {}
        self._found: dict[tuple[str, str], tuple[tuple[object, ...], object]] = {}

    def stable(
        self, lap: str, name: str, frame: pd.DataFrame, *, made_from: Sequence[object], columns: Sequence[str] = ()
    ) -> pd.DataFrame:
        """Give the frame of the look before where this one is its equal, else a copy of this one.

        Parameters
        ----------
        lap, name : str
        frame : DataFrame
        made_from : sequence of object
            What decides all columns but those of `columns`; compared by identity. Empty: the whole frame is compared.
        columns : sequence of str
            Columns of numbers that may differ all the same; compared by value.
        """
        held = self._frames.get((lap, name))
        if held is not None and _same(held[0], made_from) and len(held[1]) == len(frame):
            alike = _alike(held[1], frame, columns) if made_from else held[1].equals(frame)
            if alike:
                return held[1]
        kept = frame.copy()  # a slice would hold the whole look's frame
        with self._lock:
            self._frames[lap, name] = tuple(made_from), kept
            if held is not None:  # what was made from the old frame is never asked for again
                old = [key for key, (inputs, _) in self._found.items() if any(one is held[1] for one in inputs)]
                for key in old:
                    del self._found[key]
        return kept

    def once(self, lap: str, name: str, made_from: Sequence[object], compute: Callable[[], T]) -> T:
        """Give the result made before from these very objects, else make it.

        Parameters
        ----------
        lap, name : str
        made_from : sequence of object
            All that the result hangs on; compared by identity, and held so that an identity is never given twice.
        compute : callable
        """
        held = self._found.get((lap, name))
        if held is not None and _same(held[0], made_from):
            return cast(T, held[1])
        result = compute()
        with self._lock:
            self._found[lap, name] = tuple(made_from), result
        return result


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


def _alike(before: pd.DataFrame, now: pd.DataFrame, columns: Sequence[str]) -> bool:
    return all(np.array_equal(before[c].to_numpy(), now[c].to_numpy(), equal_nan=True) for c in columns)

"""The newest rows of every lap and all events, read anew only where the store has changed since the last look."""

import threading
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass, field

import pandas as pd

from spc.store.store import Store

__all__ = ["all_events", "recent_rows"]

_MOST_STORES = 2  # that rows are remembered of: a long-running screen looks at one


@dataclass(slots=True)
class _Held:
    """What was read of one store."""

    row: int = 0  # newest face row there was
    moves: int = -1  # rows that stand elsewhere than where they were written, by corrections
    faces: dict[str, pd.DataFrame] = field(default_factory=dict)
    event_mark: tuple[int, int] = (-1, -1)
    events: pd.DataFrame = field(default_factory=pd.DataFrame)


_LOCK = threading.Lock()
_STORES: OrderedDict[tuple[object, ...], _Held] = OrderedDict()


def recent_rows(
    store: Store, laps: Iterable[str], *, last: int | None, until_us: int | None = None
) -> dict[str, pd.DataFrame]:
    """Newest rows of each lap, as the store holds them.

    Parameters
    ----------
    store : Store
    laps : iterable of str
    last : int or None
        Newest rows of each lap; None = all there are, which are not remembered.
    until_us : int, optional
        Only rows with `sort_us` before this.

    Returns
    -------
    dict of str to DataFrame
        Faces frames by lap, shared between looks: not to be written to.
    """
    names = [str(lap) for lap in laps]
    if last is None or store.connection.in_transaction:
        return {lap: store.faces(lap=lap, last=last, until_us=until_us) for lap in names}
    with _LOCK:
        held = _held(store, last, until_us)
        row, moves = store.face_table.mark()
        if moves != held.moves or row < held.row:
            held.faces.clear()
        for lap in store.face_table.laps_after(held.row) if held.faces and row > held.row else ():
            held.faces.pop(lap, None)
        for lap in names:
            if lap not in held.faces:
                held.faces[lap] = store.faces(lap=lap, last=last, until_us=until_us)
        held.row, held.moves = row, moves
        return {lap: held.faces[lap] for lap in names}


def all_events(store: Store) -> pd.DataFrame:
    """Every current event, as `Store.events` gives them; shared between looks: not to be written to."""
    if store.connection.in_transaction:
        return store.events()
    with _LOCK:
        held = _held(store, None, None)
        mark = store.event_table.mark()
        if mark != held.event_mark:
            held.events, held.event_mark = store.events(), mark
        return held.events


def _held(store: Store, last: int | None, until_us: int | None) -> _Held:
    key = (str(store.path.resolve()), store.born_us(), last, until_us)
    held = _STORES.setdefault(key, _Held())
    _STORES.move_to_end(key)
    while len(_STORES) > 2 * _MOST_STORES:  # rows and events of each
        _STORES.popitem(last=False)
    return held

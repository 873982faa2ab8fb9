"""The newest rows and the events of every lap, read anew only for the laps that have changed since the last look."""

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

import pandas as pd

from spc.store.event_table import EventTable
from spc.store.face_table import FaceTable
from spc.store.store import Store

__all__ = ["recent_events", "recent_rows"]

_MOST_STORES = 2  # that rows are remembered of: a long-running screen looks at one


@dataclass(slots=True)
class _Held:
    """What was read of one table of one store."""

    row: int = 0  # newest row there was
    moves: int = -1  # corrections and withdrawals there were; -1 = nothing read yet
    replaced: frozenset[int] = frozenset()  # the rows they were made to
    by_lap: dict[str, pd.DataFrame] = field(default_factory=dict)
    grown: dict[str, pd.DataFrame] = field(default_factory=dict)  # of laps that have only newer rows since: what was
    since_us: dict[str, int] = field(default_factory=dict)  # as asked for when a lap was read


_LOCK = threading.Lock()
_STORES: OrderedDict[tuple[object, ...], _Held] = OrderedDict()


def recent_rows(
    store: Store,
    laps: Iterable[str],
    *,
    last: int | None,
    since_us: Mapping[str, int] | None = None,
    until_us: int | None = None,
) -> dict[str, pd.DataFrame]:
    """Newest rows of each lap, as the store holds them.

    Parameters
    ----------
    store : Store
    laps : iterable of str
    last : int or None
        Newest rows of each lap; None = all there are, which are not remembered.
    since_us : mapping of str to int, optional
        Of a lap, the `sort_us` from which all rows are read even if they are more than `last`.
    until_us : int, optional
        Only rows with `sort_us` before this.

    Returns
    -------
    dict of str to DataFrame
        Faces frames by lap, shared between looks: not to be written to.
    """
    names = [str(lap) for lap in laps]
    if last is None:
        return {lap: store.faces(lap=lap, until_us=until_us) for lap in names}
    most, since = last, since_us or {}

    def read(lap: str) -> pd.DataFrame:
        rows = store.faces(lap=lap, last=most, until_us=until_us)
        if len(rows) < most or lap not in since or since[lap] >= _oldest_us(rows):
            return rows
        return store.faces(lap=lap, since_us=since[lap], until_us=until_us)

    def read_on(lap: str, before: pd.DataFrame) -> pd.DataFrame:
        new = store.faces(lap=lap, since_us=_newest_us(before) + 1, until_us=until_us)
        rows = pd.concat([before, new], ignore_index=True)
        cut = max(len(rows) - most, 0)
        if cut and since.get(lap, _oldest_us(rows.iloc[cut:])) < _oldest_us(rows.iloc[cut:]):
            if len(before) >= most and since[lap] < _oldest_us(before):
                return read(lap)  # what it is asked for reaches further back than what was read
            cut = int(rows["sort_us"].searchsorted(since[lap]))
        return rows.iloc[cut:].reset_index(drop=True) if cut else rows

    if store.connection.in_transaction:
        return {lap: read(lap) for lap in names}
    with _LOCK:
        held = _held(store, "faces", last, until_us)
        _forget_changed(held, store.face_table, grows=True)
        for lap in names:
            if since.get(lap) != held.since_us.get(lap):  # another cycle runs on it: another stretch is asked for
                held.by_lap.pop(lap, None)
                held.grown.pop(lap, None)
        held.since_us.update(since)
        return _with_missing(
            held, names, lambda lap: read_on(lap, held.grown.pop(lap)) if lap in held.grown else read(lap)
        )


def recent_events(store: Store, laps: Iterable[str]) -> dict[str, pd.DataFrame]:
    """Every current event of each lap, as `Store.events` gives them; shared between looks: not to be written to."""
    names = [str(lap) for lap in laps]
    if store.connection.in_transaction:
        return _split(store.events(), names)
    with _LOCK:
        held = _held(store, "events")
        _forget_changed(held, store.event_table)
        if not held.by_lap:  # one statement for all, the first time
            held.by_lap = _split(store.events(), names)
        return _with_missing(held, names, lambda lap: store.events(lap=lap))


def _forget_changed(held: _Held, table: FaceTable | EventTable, *, grows: bool = False) -> None:
    """Drop what was read of the laps that have new rows, or rows that are current no more.

    Where `grows`, what was read of a lap that has nothing but newer rows since is held to be read on from.
    """
    row, moves = table.mark()
    if row < held.row or moves < held.moves:  # another file in its place
        held.by_lap.clear()
        held.grown.clear()
        held.replaced = frozenset()
    known = bool(held.by_lap or held.grown)
    for lap, first_us in table.laps_after(held.row).items() if known and row > held.row else ():
        before = held.by_lap.pop(lap, held.grown.pop(lap, None))
        if grows and before is not None and len(before) and first_us > _newest_us(before):
            held.grown[lap] = before
    if moves != held.moves:
        replaced = table.replaced()
        for lap in table.laps_of(replaced - held.replaced) if known else ():
            held.by_lap.pop(lap, None)
            held.grown.pop(lap, None)
        held.replaced = replaced
    held.row, held.moves = row, moves


def _oldest_us(rows: pd.DataFrame) -> int:
    return int(rows["sort_us"].iloc[0])


def _newest_us(rows: pd.DataFrame) -> int:
    return int(rows["sort_us"].iloc[-1])


def _with_missing(held: _Held, laps: list[str], read: Callable[[str], pd.DataFrame]) -> dict[str, pd.DataFrame]:
    for lap in laps:
        if lap not in held.by_lap:
            held.by_lap[lap] = read(lap)
    return {lap: held.by_lap[lap] for lap in laps}


def _split(rows: pd.DataFrame, laps: list[str]) -> dict[str, pd.DataFrame]:
    places = rows.groupby("lap", sort=False).indices
    none = rows.iloc[:0]
    return {lap: rows.iloc[places[lap]].reset_index(drop=True) if lap in places else none for lap in laps}


def _held(store: Store, *asked: object) -> _Held:
    key = (str(store.path.resolve()), store.born_us(), *asked)
    held = _STORES.setdefault(key, _Held())
    _STORES.move_to_end(key)
    while len(_STORES) > 2 * _MOST_STORES:  # rows and events of each
        _STORES.popitem(last=False)
    return held

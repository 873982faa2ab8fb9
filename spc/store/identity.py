"""What makes a row the row it is: hashes by which a delivery is compared with what the store holds.

Two hashes per row. `content` covers all that the row said, so that the same row delivered again is known again.
`identity` covers what stays when a value is corrected: with a serial number the face of that part on that lap; else,
with a time of day, the lap, part, face, operator and moment; else nothing but the content itself. A row that carries
neither a serial number nor a time of day is *weak*: its content counts only within its own log, because two logs can
hold the same words for different faces.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["RowKeys", "event_keys", "face_keys", "raw_keys"]

Hashes = NDArray[np.int64]
Mask = NDArray[np.bool_]

_BETWEEN = "\x1f"  # a unit separator: no cell holds one


@dataclass(frozen=True, slots=True)
class RowKeys:
    """Keys of rows, each array of shape (n_rows,)."""

    identity: Hashes
    content: Hashes
    serial: Mask  # identified by its serial number
    clock: Mask  # carries a time of day


def face_keys(rows: pd.DataFrame, raw: Sequence[str], *, source: str) -> RowKeys:
    """
    Keys of face rows.

    Parameters
    ----------
    rows : pandas.DataFrame, shape (n_rows, ...)
        Faces columns.
    raw : sequence of str, length n_rows
        The text of each row.
    source : str
        The log the rows are from.

    Returns
    -------
    RowKeys
    """
    serial = _said(rows["serial"])
    clock = _has_clock(rows["time_text"])
    content = raw_keys(raw, source=source, salted=~(serial | clock))
    identity = content.copy()
    _put(identity, serial, rows, ["part", "serial", "face", "stage", "lap"], "serial")
    _put(identity, clock & ~serial, rows, ["lap", "part", "face", "operator", "sort_us"], "clock")
    return RowKeys(identity, content, serial, clock)


def event_keys(rows: pd.DataFrame, raw: Sequence[str], *, source: str) -> RowKeys:
    """Keys of event rows; arguments and result as in `face_keys`."""
    clock = _has_clock(rows["time_text"])
    content = raw_keys(raw, source=source, salted=~clock)
    identity = content.copy()
    _put(identity, clock, rows, ["lap", "event", "sort_us"], "event")
    return RowKeys(identity, content, np.zeros(len(rows), dtype=bool), clock)


def raw_keys(raw: Sequence[str], *, source: str, salted: Mask | bool) -> Hashes:
    """Hash of each row's text; rows of `salted` count within `source` only."""
    content = _hash(raw)
    salt = _hash([f"source{_BETWEEN}{source}"])[0]
    return np.asarray(np.where(salted, content ^ salt, content), dtype=np.int64)


def _put(identity: Hashes, mask: Mask, rows: pd.DataFrame, columns: list[str], kind: str) -> None:
    if mask.any():
        chosen = rows if mask.all() else rows.loc[mask]
        text = chosen[columns[0]].astype("str")
        for name in columns[1:]:
            text = text + _BETWEEN + chosen[name].astype("str")
        identity[mask] = _hash((kind + _BETWEEN + text).to_numpy(dtype=object))


def _said(column: "pd.Series[str]") -> Mask:
    return np.asarray(column != "", dtype=bool)


def _has_clock(column: "pd.Series[str]") -> Mask:
    return np.asarray(column.astype("str").str.contains(":", regex=False), dtype=bool)


def _hash(texts: "Sequence[str] | NDArray[np.object_]") -> Hashes:
    values = np.empty(len(texts), dtype=object)
    values[:] = texts
    return pd.util.hash_array(values, categorize=False).view(np.int64)

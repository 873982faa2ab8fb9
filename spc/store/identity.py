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

from spc.log.moments import has_clock
from spc.store.coding import hashed, said

__all__ = ["RowKeys", "event_keys", "face_keys", "raw_keys"]

Hashes = NDArray[np.int64]
Mask = NDArray[np.bool_]

Texts = Sequence[str] | NDArray[np.object_]

_ODD = np.uint64(0x9E3779B97F4A7C15)  # 2^64 over the golden ratio, the usual multiplier for mixing hashes


@dataclass(frozen=True, slots=True)
class RowKeys:
    """Keys of rows, each array of shape (n_rows,)."""

    identity: Hashes
    content: Hashes
    serial: Mask  # identified by its serial number
    weak: Mask  # identified by nothing but its content

    def pick(self, rows: NDArray[np.generic]) -> "RowKeys":
        """Give the keys of some rows: a mask or places."""
        return RowKeys(self.identity[rows], self.content[rows], self.serial[rows], self.weak[rows])


def face_keys(rows: pd.DataFrame, raw: Texts, *, source: str) -> RowKeys:
    """
    Make the keys of face rows.

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
    serial = said(rows["serial"])
    clock = np.zeros(len(rows), dtype=bool)
    if not serial.all():
        clock[~serial] = has_clock(rows.loc[~serial, "time_text"])
    weak = ~(serial | clock)
    content = raw_keys(raw, source=source, salted=weak)
    identity = content.copy()
    _put(identity, serial, rows, ["part", "serial", "face", "stage", "lap"])
    _put(identity, clock, rows, ["lap", "part", "face", "operator", "sort_us"])
    return RowKeys(identity, content, serial, weak)


def event_keys(rows: pd.DataFrame, raw: Texts, *, source: str) -> RowKeys:
    """Make the keys of event rows; arguments and result as in `face_keys`."""
    clock = has_clock(rows["time_text"])
    content = raw_keys(raw, source=source, salted=~clock)
    identity = content.copy()
    _put(identity, clock, rows, ["lap", "event", "sort_us"])
    return RowKeys(identity, content, np.zeros(len(rows), dtype=bool), ~clock)


def raw_keys(raw: Texts, *, source: str, salted: Mask | bool) -> Hashes:
    """Hash each row's text; rows of `salted` count within `source` only."""
    texts = np.empty(len(raw), dtype=object)
    texts[:] = raw
    content = pd.util.hash_array(texts, categorize=False)
    if np.any(salted):
        salt = pd.util.hash_array(np.array([f"source {source}"], dtype=object), categorize=False)[0]
        content = np.where(salted, content ^ salt, content)
    return content.view(np.int64)


def _put(identity: Hashes, mask: Mask, rows: pd.DataFrame, columns: list[str]) -> None:
    if not mask.any():
        return
    chosen = rows if mask.all() else rows.loc[mask]
    mixed = np.full(len(chosen), len(columns), dtype=np.uint64)
    for name in columns:
        column = chosen[name]
        own = column.to_numpy().astype(np.uint64) if column.dtype == "int64" else hashed(column)
        mixed = (mixed ^ own) * _ODD
        mixed ^= mixed >> np.uint64(29)
    identity[mask] = mixed.view(np.int64)

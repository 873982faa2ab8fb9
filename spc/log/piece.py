"""Some rows of a scanned log made ready for the store: sorted by outcome, with their frames and keys."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.store.frames import EVENTS, FACES
from spc.store.identity import RowKeys, event_keys, face_keys
from spc.store.ready import ReadyFaces, ready_faces

__all__ = ["Piece", "Told", "event_frame", "face_frame", "one_ahead", "prepared"]

_FACE_COLUMNS = [name for name in FACES if name not in ("face_id", "version", "intake_id")]
_EVENT_COLUMNS = [name for name in EVENTS if name not in ("event_id", "intake_id")]


@dataclass(frozen=True, slots=True)
class Told:
    """Rows of one piece that are faces, or that are events."""

    rows: pd.DataFrame
    raw: NDArray[np.object_]
    keys: RowKeys
    ready: ReadyFaces | None  # of faces


@dataclass(frozen=True, slots=True)
class Piece:
    """Some rows of a log, ready to be admitted."""

    rows: pd.DataFrame
    waiting: pd.DataFrame  # for quarantine
    told: dict[str, Told] = field(default_factory=dict)


def face_frame(rows: pd.DataFrame, intake_id: int) -> pd.DataFrame:
    """Give the faces columns of row-frame rows, all of one delivery."""
    faces = rows.drop(columns="outcome").rename(columns={"face_outcome": "outcome"})[_FACE_COLUMNS]
    return faces.assign(intake_id=intake_id)


def event_frame(rows: pd.DataFrame, intake_id: int) -> pd.DataFrame:
    """Give the events columns of row-frame rows, all of one delivery."""
    return rows[_EVENT_COLUMNS].assign(intake_id=intake_id)


def prepared(rows: pd.DataFrame, *, intake_id: int, log: str, write: bool = True) -> Piece:
    """Sort rows by outcome, make their frames and keys, and, to `write` them, their columns; needs no store."""
    outcome = rows["outcome"].to_numpy(dtype=object)
    piece = Piece(rows, rows.loc[outcome == "quarantine"])
    for kind in ("face", "event"):
        mask = outcome == kind
        if mask.any():
            chosen = rows if mask.all() else rows.loc[mask]
            raw = chosen["raw"].to_numpy(dtype=object)
            frame_of, keys_of = (face_frame, face_keys) if kind == "face" else (event_frame, event_keys)
            new = frame_of(chosen, intake_id)
            keys = keys_of(new, raw, source=log)
            ahead = write and kind == "face"
            ready = ready_faces(new, identity=keys.identity, content=keys.content) if ahead else None
            piece.told[kind] = Told(new, raw, keys, ready)
    return piece


def one_ahead(pieces: Iterator[Piece]) -> Iterator[Piece]:
    """Make the next piece in a second thread while the one before is written."""
    with ThreadPoolExecutor(1) as second:
        waiting = second.submit(next, pieces, None)
        while (piece := waiting.result()) is not None:
            waiting = second.submit(next, pieces, None)
            yield piece

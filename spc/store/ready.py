"""Faces as the columns of their table, ready to be written: all but the numbers of the words that faces share."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.store.coding import listed
from spc.store.frames import CHARACTERISTICS
from spc.store.words import HAND, JOB, LAP_NAME, READING, RUBBING, Combined, combined

__all__ = ["PLAIN", "ReadyFaces", "ready_faces"]

Ids = NDArray[np.int64]

PLAIN = ("sort_us", "time_text", "shift_date", "serial", "minutes", "temperature_c", "note")


@dataclass(frozen=True, slots=True)
class ReadyFaces:
    """Some rows, column by column."""

    n_rows: int
    columns: dict[str, list[Any]]  # name -> one value per row
    constants: dict[str, int]  # name -> the value of every row
    shared: dict[str, Combined]  # 'lap', 'hand', 'job', 'rubbing' or a characteristic -> words that rows share


def ready_faces(
    rows: pd.DataFrame, *, identity: Ids, content: Ids, face_id: Ids | None = None, version: Ids | None = None
) -> ReadyFaces:
    """
    Make face rows ready; needs no store, so it can run ahead. Arguments as in `FaceTable.add`.

    Returns
    -------
    ReadyFaces
    """
    columns: dict[str, list[Any]] = {
        "row_number": rows["row_number"].tolist(),
        "sort_us": rows["sort_us"].tolist(),
        "identity": identity.tolist(),
        "content": content.tolist(),
    }
    if face_id is not None and version is not None:
        columns |= {"face_id": face_id.tolist(), "version": version.tolist()}
    for name in PLAIN[1:]:
        told = _told(rows[name])
        if told is not None:
            columns[name] = told
    intakes = rows["intake_id"].unique().tolist()
    constants = {}
    if len(intakes) == 1:
        constants["intake_id"] = int(intakes[0])
    else:
        columns["intake_id"] = rows["intake_id"].tolist()
    shared = {
        "lap": combined({"lap": rows["lap"]}, LAP_NAME),
        "hand": combined(_values(rows, HAND), HAND),
        "job": combined(_values(rows, JOB), JOB),
    }
    for name in CHARACTERISTICS:
        reading = _readings(rows, name)
        if reading is not None:
            shared[name] = reading
    rubbing = _rubbing(rows)
    if rubbing is not None:
        shared["rubbing"] = rubbing
    return ReadyFaces(len(rows), columns, constants, shared)


def _values(rows: pd.DataFrame, columns: dict[str, str]) -> dict[str, Any]:
    values = {name: rows["time_utc"].notna() if name == "has_utc" else rows[name] for name in columns}
    if "attempt" in values:
        values["attempt"] = values["attempt"].clip(lower=1)  # where no log said one, the first
    return values


def _readings(rows: pd.DataFrame, name: str) -> Combined | None:
    """Combine the readings of one characteristic; None where no row has one."""
    measured = ~np.isnan(rows[f"{name}_low_um"].to_numpy())
    return _of_some({what: rows[f"{name}_{what}"] for what in READING}, READING, measured)


def _rubbing(rows: pd.DataFrame) -> Combined | None:
    """Combine load, contact area and speed; None where no row has any."""
    known = ~np.isnan(rows[["load_n", "area_mm2", "speed_m_per_s"]].to_numpy()).all(axis=1)
    return _of_some({name: rows[name] for name in RUBBING}, RUBBING, known) if known.any() else None


def _of_some(values: "dict[str, pd.Series[Any]]", columns: dict[str, str], known: NDArray[np.bool_]) -> Combined | None:
    if not known.any():
        return None
    if known.all():
        return combined(values, columns)
    some = combined({what: column[known] for what, column in values.items()}, columns)
    which = np.full(known.size, -1, dtype=np.int64)
    which[known] = some.which
    return Combined(some.distinct, which)


def _told(column: "pd.Series[Any]") -> list[Any] | None:
    """Values of a column for SQL, or None where no row says anything but the table's default."""
    if column.dtype == "float64":
        numbers = column.to_numpy()
        missing = np.isnan(numbers)
        if missing.all():
            return None
        plain: list[Any] = numbers.tolist()
        return [None if gone else value for gone, value in zip(missing, plain, strict=True)] if missing.any() else plain
    values = listed(column)
    return values if any(values) else None

"""The frames the store hands out: their columns, their types, and frames of nothing that still have both."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from spc.store.coding import texts_of

__all__ = [
    "CHARACTERISTICS", "EVENTS", "EVENT_KINDS", "FACES", "INTAKES", "LAPS", "LIMITS", "NO_ATTEMPT", "QUARANTINE",
    "SETTLINGS", "frame",
]  # fmt: skip

NO_ATTEMPT = 0  # on a face's way into the store: no log said an attempt number; the first, or counted

CHARACTERISTICS = ("flatness", "finish", "parallelism", "squareness", "thickness", "thickness_before")

EVENT_KINDS = (
    "charged", "recharged", "cleaned", "grit changed", "dressed", "reconditioned", "re-faced", "measured", "ring moved",
    "swapped", "returned", "retired",
)  # fmt: skip

_UTC = "datetime64[us, UTC]"
_CLOCK = {"time_utc": _UTC, "time_text": "str", "sort_us": "int64"}

# One row per current face or repeat reading. NaN = not known or not measured, '' = not said.
FACES: dict[str, str] = {
    "face_id": "int64",
    "kind": "str",
    "lap": "str",
    "operator": "str",
    "grit": "str",
    "grit_um": "float64",
    "part": "str",
    "serial": "str",
    "face": "str",
    "stage": "str",
    "attempt": "int64",
    "minutes": "float64",
    **_CLOCK,
    "shift": "str",
    "shift_date": "str",
    **{
        f"{name}_{what}": kind
        for name in CHARACTERISTICS
        for what, kind in (("low_um", "float64"), ("high_um", "float64"), ("text", "str"))
    },
    "flatness_unit": "str",
    "lamp": "str",
    "shape": "str",
    "method": "str",
    "cutoff_mm": "float64",
    "coverage": "float64",
    "outcome": "str",
    "scratch": "bool",
    "temperature_c": "float64",
    "load_n": "float64",
    "load_text": "str",
    "area_mm2": "float64",
    "area_text": "str",
    "speed_m_per_s": "float64",
    "speed_text": "str",
    "note": "str",
    "remarks": "str",
    "intake_id": "int64",
    "row_number": "int64",
    "version": "int64",
}

EVENTS: dict[str, str] = {
    "event_id": "int64",
    "lap": "str",
    "event": "str",
    **_CLOCK,
    "operator": "str",
    "grit": "str",
    "grit_um": "float64",
    "grit_from": "str",
    "grit_from_um": "float64",
    "abrasive": "str",
    "lot": "str",
    "reason": "str",
    "planned": "object",  # True, False or None (not said)
    "found_late": "bool",
    "minutes": "float64",
    "method": "str",
    "shape": "str",
    "before_um": "float64",
    "after_um": "float64",
    "removed_um": "float64",
    "from_mm": "float64",
    "to_mm": "float64",
    "note": "str",
    "intake_id": "int64",
    "row_number": "int64",
}

LAPS: dict[str, str] = {
    name: "str" for name in ("lap", "material", "kind", "size_text", "home_grit", "group", "state", "note")
} | {"state_us": "int64"}  # when the newest revision was written down

LIMITS: dict[str, str] = {
    "part": "str",
    "characteristic": "str",
    "upper_um": "float64",
    "lower_um": "float64",
    "upper_text": "str",
    "lower_text": "str",
    "revision": "int64",
    "valid_from": "str",
    "who": "str",
    "why": "str",
}

QUARANTINE: dict[str, str] = {
    "quarantine_id": "int64",
    "intake_id": "int64",
    "name": "str",
    "row_number": "int64",
    "raw": "str",
    "reasons": "str",
    "lap": "str",
    "how": "str",
    "new_text": "str",
    "reason": "str",
    "who": "str",
    "resolved_at": _UTC,
}

SETTLINGS: dict[str, str] = {
    "quarantine_id": "int64",
    "name": "str",
    "row_number": "int64",
    "raw": "str",
    "how": "str",
    "new_text": "str",
    "reason": "str",
    "who": "str",
    "at": _UTC,
    "back_by": "str",
    "back_why": "str",
    "back_at": _UTC,
}

INTAKES: dict[str, str] = {
    "intake_id": "int64",
    "kind": "str",
    "name": "str",
    "source": "str",
    "sha256": "str",
    "bytes": "int64",
    "dialect": "str",
    "column_map": "str",
    "remarks": "str",
    "who": "str",
    "at": _UTC,
    "rows": "int64",
    "faces": "int64",
    "repeats": "int64",
    "events": "int64",
    "quarantined": "int64",
    "doubles": "int64",
    "new_versions": "int64",
}


def frame(columns: Mapping[str, str], data: Mapping[str, Any] | Sequence[Sequence[Any]]) -> pd.DataFrame:
    """Build a frame with exactly these columns and types.

    Parameters
    ----------
    columns : mapping of str to str
        Column -> dtype; a datetime column takes microseconds since 1970, with missing as None or NaT.
    data : mapping of column to array, or rows of a query in the order of `columns`
        May be empty.

    Returns
    -------
    pandas.DataFrame
        With a RangeIndex.
    """
    if not isinstance(data, Mapping):
        data = dict(zip(columns, zip(*data, strict=True) if data else [()] * len(columns), strict=True))
    return pd.DataFrame({name: _typed(data[name], kind) for name, kind in columns.items()}, copy=False)


def _typed(values: Any, kind: str) -> Any:
    if kind == "str":
        return values if isinstance(values, pd.api.extensions.ExtensionArray) else texts_of(list(values))
    if kind.startswith("datetime64"):
        if not isinstance(values, np.ndarray):
            values = np.array([np.iinfo(np.int64).min if v is None else v for v in values], dtype=np.int64)
        return pd.DatetimeIndex(values.view("datetime64[us]")).tz_localize("UTC")
    if kind == "object":
        out = np.empty(len(values), dtype=object)
        out[:] = values
        return out
    return np.asarray(values, dtype=kind)

"""Small invented logs in the shape of the faces and events frames; everything not named is unknown."""

from typing import Any

import numpy as np
import pandas as pd

__all__ = ["events_frame", "faces_frame", "hours"]

CHARACTERISTICS = ("flatness", "finish", "parallelism", "squareness", "thickness", "thickness_before")
START_US = 1_767_600_000_000_000


def hours(h: float) -> int:
    """Microseconds, `h` hours after the invented start."""
    return START_US + round(h * 3.6e9)


def faces_frame(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Faces frame of the rows given; flatness_um, finish_um, thickness_um, thickness_before_um set both ends."""
    full = []
    for i, given in enumerate(rows):
        row: dict[str, Any] = {
            "face_id": i + 1, "kind": "face", "lap": "A", "operator": "", "grit": "", "grit_um": np.nan, "part": "P1",
            "serial": "", "face": "", "stage": "", "attempt": 1, "minutes": np.nan, "sort_us": hours(0.2 * i),
            "shift": "", "shift_date": "", "flatness_unit": "um", "lamp": "", "shape": "", "method": "",
            "cutoff_mm": np.nan, "coverage": np.nan, "outcome": "", "scratch": False, "temperature_c": np.nan,
            "load_n": np.nan, "area_mm2": np.nan, "speed_m_per_s": np.nan,
            "note": "", "remarks": "", "intake_id": 1, "row_number": i + 1, "version": 1,
        }  # fmt: skip
        for c in CHARACTERISTICS:
            row |= {f"{c}_low_um": np.nan, f"{c}_high_um": np.nan, f"{c}_text": ""}
        for key, value in given.items():
            if key.removesuffix("_um") in CHARACTERISTICS:
                row |= {f"{key[:-3]}_low_um": value, f"{key[:-3]}_high_um": value, f"{key[:-3]}_text": str(value)}
            else:
                row[key] = value
        row.setdefault("time_utc", pd.Timestamp(row["sort_us"], unit="us", tz="UTC"))
        row.setdefault("time_text", row["time_utc"].strftime("%Y-%m-%d %H:%M") if row["time_utc"] is not pd.NaT else "")
        full.append(row)
    frame = pd.DataFrame(full)
    if len(frame):
        frame["time_utc"] = pd.to_datetime(frame["time_utc"], utc=True)
        frame = frame.sort_values(["sort_us", "intake_id", "row_number"], kind="stable").reset_index(drop=True)
    return frame


def events_frame(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Events frame of the rows given; each needs `event` and `sort_us`."""
    full = []
    for i, given in enumerate(rows):
        row: dict[str, Any] = {
            "event_id": i + 1, "lap": "A", "event": "", "sort_us": 0, "operator": "", "grit": "", "grit_um": np.nan,
            "grit_from": "", "grit_from_um": np.nan, "abrasive": "", "lot": "", "reason": "", "planned": None,
            "found_late": False, "minutes": np.nan, "method": "", "shape": "", "before_um": np.nan, "after_um": np.nan,
            "removed_um": np.nan, "from_mm": np.nan, "to_mm": np.nan, "note": "", "intake_id": 2, "row_number": i + 1,
        }  # fmt: skip
        row |= given
        row.setdefault("time_utc", pd.Timestamp(row["sort_us"], unit="us", tz="UTC"))
        row.setdefault("time_text", row["time_utc"].strftime("%Y-%m-%d %H:%M") if row["time_utc"] is not pd.NaT else "")
        full.append(row)
    columns = ["event_id", "lap", "event", "sort_us", "time_utc", "time_text", "intake_id", "row_number"]
    frame = pd.DataFrame(full) if full else pd.DataFrame(columns=columns)
    if full:
        frame["time_utc"] = pd.to_datetime(frame["time_utc"], utc=True)
        frame["planned"] = frame["planned"].astype(object)
    return frame

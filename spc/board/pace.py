"""How much a lap does in a shift, and how its minutes compare with its own usual, within the same part number."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.wear.lifetime import MOST_MISSING

__all__ = ["PartPace", "faces_per_shift", "minutes_by_part", "minutes_lapped", "pace_of_laps"]

PartMinutes = tuple[NDArray[np.int64], NDArray[np.float64]]  # moments and minutes, face by face

_DAY_US = 86_400_000_000


@dataclass(frozen=True, slots=True)
class PartPace:
    """Minutes per face of one part number, in a span of interest against the time before it."""

    part: str
    faces: int  # first passes with minutes in the span
    minutes: float  # their median
    usual_minutes: float  # median before the span
    usual_faces: int

    @property
    def sentence(self) -> str:
        """The comparison in words."""
        return (
            f"{self.part}: {self.minutes:.1f} min a face over {self.faces}, usually {self.usual_minutes:.1f} "
            f"({self.usual_faces:,} faces before)."
        )


def faces_per_shift(faces: pd.DataFrame, *, shifts: int = 10) -> float:
    """Median number of lappings per shift in which the lap ran, over its last `shifts` shifts.

    Parameters
    ----------
    faces : DataFrame
        Faces frame of one lap in order.
    shifts : int, default 10
        How many of its latest shifts count.

    Returns
    -------
    float
        Faces per shift; 0 when there is none that has a time. Without shift names a calendar day stands for the shift.
    """
    timed = (faces["time_text"] != "") | faces["time_utc"].notna()
    rows = faces[(faces["kind"] == "face") & timed]
    if rows.empty:
        return 0.0
    day = (rows["sort_us"] // _DAY_US).astype(str)
    key = rows["shift_date"].where(rows["shift_date"] != "", day) + "/" + rows["shift"]
    counts = rows.groupby(key.to_numpy(), sort=False).size().to_numpy()
    return float(np.median(counts[-shifts:]))


def minutes_lapped(minutes: NDArray[np.float64]) -> float:
    """Sum the minutes of some lappings, the mean standing for what is missing; NaN where too much is."""
    known = minutes > 0
    told = known.any() and 1.0 - known.mean() <= MOST_MISSING
    return float(minutes[known].sum() / known.mean()) if told else float("nan")


def minutes_by_part(faces: pd.DataFrame) -> dict[str, PartMinutes]:
    """Give the moments and minutes of the first passes of each part number, where minutes are known."""
    counts = (faces["kind"] == "face") & (faces["attempt"] <= 1) & np.isfinite(faces["minutes"]) & (faces["part"] != "")
    rows = np.flatnonzero(counts.to_numpy())
    at, minutes = (faces[name].to_numpy()[rows] for name in ("sort_us", "minutes"))
    codes, names = pd.factorize(faces["part"].to_numpy(object)[rows])
    return {str(name): (at[codes == code], minutes[codes == code]) for code, name in enumerate(names)}


def pace_of_laps(laps: Iterable[Mapping[str, PartMinutes]], *, since_us: int, least: int = 3) -> tuple[PartPace, ...]:
    """Minutes per face since `since_us` against before, part number by part number.

    Parameters
    ----------
    laps : iterable of mapping of str to (ndarray of int64, ndarray of float64)
        From `minutes_by_part`, of each of some laps.
    since_us : int
        Start of the span, microseconds as in `sort_us`.
    least : int, default 3
        Fewer first passes than this on either side give no comparison.

    Returns
    -------
    tuple of PartPace
        Slowest against its usual first.
    """
    of_part: dict[str, list[PartMinutes]] = {}
    for lap in laps:
        for part, told in lap.items():
            of_part.setdefault(part, []).append(told)
    found = []
    for part in sorted(of_part):
        now = np.concatenate([at for at, _ in of_part[part]]) >= since_us
        minutes = np.concatenate([minutes for _, minutes in of_part[part]])
        if now.sum() >= least and (~now).sum() >= least:
            usual = float(np.median(minutes[~now]))
            found.append(PartPace(part, int(now.sum()), float(np.median(minutes[now])), usual, int((~now).sum())))
    return tuple(sorted(found, key=lambda p: p.usual_minutes / p.minutes if p.minutes > 0 else 1.0))

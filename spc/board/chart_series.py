"""One characteristic of one lap as plain readings in order: what the textbook charts take.

The two rules of the board judge intervals by a fitted law. The charts of `spc.board.chart_kinds` take numbers: the
middle of what each reading stands for. A reading that is open above ("2+") has no middle and is not plotted.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_view import CellView
from spc.board.shown_length import shown_length
from spc.board.stream_memory import basis_frozen
from spc.chart.stream import SIGNS, face_of_cycle, stream_of
from spc.measure.shown import ShownLength

__all__ = ["CHARACTERISTICS", "ChartSeries", "GROUPINGS", "groups_of", "series_of", "ungrouped_words"]

Array = NDArray[np.float64]

# Read in micrometres as they are, on any pass; thickness may be a deviation, below zero too.
CHARACTERISTICS = ("thickness", "parallelism", "squareness")
GROUPINGS = ("time", "serial", "part", "day", "shift", "operator", "cycle")
_LEAST_LINKED = 0.5  # share of readings with a neighbour in their stretch, below which stops are no breaks [our rule]


@dataclass(frozen=True, slots=True)
class ChartSeries:
    """Readings of one characteristic of one lap in order of time; all arrays of one length."""

    lap: str
    sign: str
    part: str  # '' = all
    words: str  # what is read, for a person
    unit: str  # as the lap's newest face was typed: 'bands', 'um', 'uin', 'min', 'um/min' and so on
    side: str  # towards which a reading gets worse: 'upper', 'lower', or 'both' for a dimension
    value: Array  # middle of each reading, in that unit; NaN = open above
    low: Array
    high: Array
    rows: pd.DataFrame  # the numbered faces behind the readings
    lapped: pd.DataFrame  # every lapping of the lap (and part), read or not
    finished: pd.DataFrame  # the last lapping of each face, with `relapped`
    segments: NDArray[np.int64]  # no difference and no run across a change
    remarks: tuple[str, ...]

    def __len__(self) -> int:
        """Count the readings."""
        return int(self.value.size)

    def face(self, place: int) -> str:
        """Say which face the reading at a place is of: 'face 13 of its cycle (2026-03-05 10:12)'."""
        row = self.rows.iloc[place]
        return face_of_cycle(float(row["age_faces"]), str(row["time_text"]))


def series_of(view: CellView, lap: str, sign: str, *, part: str = "", asked: ShownLength | None = None) -> ChartSeries:
    """Take one characteristic of one lap out of the cell.

    Parameters
    ----------
    view : CellView
    lap : str
    sign : str
        A key of `spc.chart.stream.SIGNS`, or one of `CHARACTERISTICS`.
    part : str, optional
        Only this part number; '' = all.
    asked : ShownLength, optional
        Unit of form and finish; the lap's own where none is asked for.

    Returns
    -------
    ChartSeries

    Raises
    ------
    ValueError
        If the lap, the characteristic or the part is unknown.
    """
    names = view.laps["lap"].tolist()
    if lap not in names:
        raise ValueError(f"`lap` must be a lap of the store, got {lap!r}; known are {', '.join(names[:12]) or 'none'}")
    faces = view.faces_of(lap)
    faces = faces[(faces["kind"] == "face").to_numpy()]
    if part and part not in set(faces["part"]):
        raise ValueError(f"`part` must be a part number lapped on {lap}, got {part!r}")
    if sign in CHARACTERISTICS:
        low, high = (faces[f"{sign}_{end}_um"].to_numpy(np.float64) for end in ("low", "high"))
        keep = ~np.isnan(low)
        words, unit, side, remarks = sign, "um", "both" if sign == "thickness" else "upper", list[str]()
        low, high = low[keep], high[keep]
    elif sign in SIGNS:
        stream = stream_of(faces, lap=lap, sign=sign, basis=basis_frozen(view.baselines, lap, sign))
        keep = np.isin(faces["face_id"].to_numpy(np.int64), stream.face_id)
        low, high, about = stream.low, stream.high, SIGNS[sign]
        words, unit, side, remarks = about.words, about.unit, about.side, list(stream.left_out)
        shown = shown_length(view, lap, sign, asked=asked, basis=stream.basis)
        if shown is not None:
            low, high = low / shown.um_per_unit, high / shown.um_per_unit
            unit = shown.name
    else:
        known = ", ".join((*SIGNS, *CHARACTERISTICS))
        raise ValueError(f"`sign` must be one of {known}, got {sign!r}")
    rows = faces[keep].reset_index(drop=True)
    if part:
        of_part = (rows["part"] == part).to_numpy()
        rows, low, high = rows[of_part].reset_index(drop=True), low[of_part], high[of_part]
    value = np.where(np.isfinite(high), (low + np.where(np.isfinite(high), high, 0.0)) / 2, np.nan)
    value = np.array([float(f"{v:.13g}") for v in value.tolist()])  # the middle as it was typed, not 49.599999999999994
    still_open = int(np.count_nonzero(np.isnan(value)))
    if still_open:
        them = ("1 reading is", "is", "it") if still_open == 1 else (f"{still_open:,} readings are", "are", "them")
        remarks.append("{} open above and {} not plotted; the limit of a fitted law takes {}".format(*them))
    segments, said = _segments(rows, of_one_part=bool(part))
    lapped = faces[faces["part"] == part] if part else faces
    ends = view.signs_of(lap).loc[:, ["face_id", "relapped"]]
    finished = lapped.merge(ends, on="face_id", how="inner")
    return ChartSeries(
        lap, sign, part, words, unit, side, value, low, high, rows, lapped.reset_index(drop=True), finished, segments,
        (*remarks, *said),
    )  # fmt: skip


def groups_of(rows: pd.DataFrame, by: str) -> tuple[NDArray[np.object_], str]:
    """Say which subgroup each reading belongs to.

    Parameters
    ----------
    rows : DataFrame, shape (n, ...)
        Numbered faces.
    by : str
        One of `GROUPINGS` ('time' = readings of the same moment), or a whole number: so many in a row.

    Returns
    -------
    tuple of (ndarray of object, shape (n,); str)
        The ids, '' of a face that does not carry what is grouped by, and in words what a subgroup is.

    Raises
    ------
    ValueError
        If the word is unknown, or no face carries it.
    """
    n = len(rows)
    if by.isascii() and by.isdigit() and int(by) > 0:
        return np.array([str(i // int(by) + 1) for i in range(n)], dtype=object), f"{int(by):,} readings in a row"
    if by in ("time", "day", "shift") and n and not bool((rows["time_text"] != "").any()):
        raise ValueError(f"`by` must not be {by!r} where no face carries a time; take 'part', 'serial' or a number")
    if by == "time":
        typed = rows["time_text"].where(rows["time_text"] != "")
        first = typed.groupby(rows["sort_us"]).transform("first")  # one moment may be typed in several ways
        return first.where(typed.notna(), rows["sort_us"].astype(str)).to_numpy(object), "readings of the same moment"
    if by == "day":
        moments = pd.to_datetime(rows["sort_us"], unit="us").dt.strftime("%Y-%m-%d")
        days = rows["shift_date"].where(rows["shift_date"] != "", moments)
        return days.to_numpy(object), "readings of one day"
    if by == "shift":
        dates, _ = groups_of(rows, "day")
        named = [f"{d} {s}".strip() for d, s in zip(dates, rows["shift"].tolist(), strict=True)]
        return np.array(named, dtype=object), "readings of one shift"
    if by in GROUPINGS:
        ids = rows[by].astype(str).to_numpy(object)
        if n and not (ids != "").any():
            raise ValueError(f"`by` must not be {by!r} where no face carries one; take 'day', 'cycle' or a number")
        return ids, f"readings of one {by}"
    raise ValueError(f"`by` must be a whole number of readings in a row or one of {', '.join(GROUPINGS)}, got {by!r}")


def ungrouped_words(ids: NDArray[np.object_], by: str) -> tuple[str, ...]:
    """Say how many faces carry nothing of what is grouped by: they are of no subgroup, not of one together."""
    without = int(np.count_nonzero(ids == ""))
    if not without:
        return ()
    faces, are = ("1 face carries", "is") if without == 1 else (f"{without:,} faces carry", "are")
    return (f"{faces} no {by} and {are} left out",)


def _segments(rows: pd.DataFrame, *, of_one_part: bool) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    """Stretches within which neighbours are compared: recharge, reconditioning, part change and long stop part them."""
    found = rows["segment"].to_numpy(np.int64) if not of_one_part else rows["cycle"].to_numpy(np.int64)
    linked = np.count_nonzero(found[1:] == found[:-1])
    if len(rows) > 2 and linked < _LEAST_LINKED * (len(rows) - 1):
        return rows["cycle"].to_numpy(np.int64), (
            "readings mostly stand alone between stops or part changes, so neighbours are compared across them",
        )
    return found, ()

"""A dimension on the board: thickness of one part number from one lap, charted on both sides, and its index.

A dimension is judged apart from the signs of wear: it may go either way and below zero, it says nothing of the lap's
form, and its limits come from the drawing on two sides. The chart is a first look, its limits drawn from the very
readings it judges; it takes no part in the cell's false-call budget and no baseline is frozen.
"""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_view import CellView
from spc.board.chart_made import seen
from spc.capability.dimension_index import LEAST_PHI, DimensionIndex, dimension_index, written
from spc.chart.individuals import individuals_chart
from spc.chart.phi_aware import PHI_MOST, dependent_chart, dependent_run_length
from spc.chart.result import Chart, unable
from spc.chart.rules import RULES
from spc.chart.run_length import rule_run_length
from spc.model.autocorrelation import serial_correlation

__all__ = ["DIMENSIONS", "DimensionChart", "DimensionStudy", "chart_dimension", "study_dimension"]

DIMENSIONS = ("thickness",)
_PARTS_NAMED = 6
_LEAST_NEWS = 12.0  # independent readings that limits must rest on, as for the signs of wear; our rule

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DimensionChart:
    """Readings of one dimension in order, with their limits."""

    lap: str
    part: str
    characteristic: str
    chart: Chart
    face_ids: tuple[int, ...]
    time_texts: tuple[str, ...]
    low_um: Array
    high_um: Array
    beyond: tuple[int, ...]  # face ids outside the chart's limits
    phi: float  # correlation of neighbours; NaN = not known
    sentence: str
    baseline: str = ""
    sees: str = ""  # '' without limits


@dataclass(frozen=True, slots=True)
class DimensionStudy:
    """A dimension of one part number against the drawing."""

    part: str
    characteristic: str
    laps: tuple[str, ...]  # none = every lap
    limit_text: str  # '' = none known
    lower_um: float  # NaN = none
    upper_um: float
    index: DimensionIndex | None  # None: no limit, or nothing to study
    face_ids: tuple[int, ...]
    sentence: str


def chart_dimension(view: CellView, lap: str, characteristic: str = "thickness", *, part: str = "") -> DimensionChart:
    """Chart a dimension of one part number on one lap.

    Parameters
    ----------
    view : CellView
    lap : str
    characteristic : str
        One of `DIMENSIONS`.
    part : str
        May be left out where the lap carries one part number only: dimensions of several parts are no one series.

    Returns
    -------
    DimensionChart

    Raises
    ------
    ValueError
        If the characteristic, the lap or the part number is unknown, or several parts are there and none was named.

    Notes
    -----
    Where neighbours depend on each other the limits are those of a first-order autoregression; limits from moving
    ranges would call far too often.
    """
    _known(characteristic)
    names = view.laps["lap"].tolist()
    if lap not in names:
        known = ", ".join(names[:12]) or "none yet"
        raise ValueError(f"`lap` must be a lap of the store, got {lap!r}; known are {known}")
    faces = _read(view.faces_of(lap), characteristic)
    part = _one_part(faces, part, lap, characteristic)
    faces = faces[faces["part"] == part]
    low, high = _ends(faces, characteristic)
    middle, cycle = (low + high) / 2, faces["cycle"].to_numpy(np.int64)
    after = serial_correlation(middle, chain=cycle)
    phi = after.phi if after.status == "correlated" and abs(after.phi) > LEAST_PHI else 0.0
    news = middle.size * (1 - phi) / (1 + phi)
    if news < _LEAST_NEWS:
        why = f"{_LEAST_NEWS:.0f} independent readings are needed"
        if phi > 0:
            why = f"they follow each other so closely (phi {phi:.2f}) that they tell as much as about {news:.0f}; {why}"
        starts = np.zeros(min(middle.size, 1), dtype=np.intp)
        chart = unable("individuals", "too few", why, middle, method="none", n=middle.size, starts=starts)
    elif abs(phi) >= PHI_MOST:
        why = (
            f"neighbours follow each other almost exactly (phi {phi:.3f}): a trend or a see-saw, to be taken out first"
        )
        starts = np.zeros(1, dtype=np.intp)
        chart = unable("individuals", "refused", why, middle, method="none", n=middle.size, starts=starts)
    elif phi:
        chart = dependent_chart(middle, phi=phi, centre=after.mean, sigma=after.sd, segments=cycle)
    else:
        chart = individuals_chart(middle, segments=cycle).individuals
    ids = faces["face_id"].to_numpy(np.int64)
    out = (middle > chart.upper) | (middle < chart.lower)
    if chart.status == "ok":
        lie = "lies" if np.count_nonzero(out) == 1 else "lie"
        lower_text, upper_text = (written(float(edge[0]), chart.sigma) for edge in (chart.lower, chart.upper))
        sentence = (
            f"{np.count_nonzero(out):,} of {middle.size:,} readings {lie} beyond {lower_text} to {upper_text} um; "
            "the limits are drawn from these very readings: a first look, nothing is frozen"
        )
    else:
        sentence = f"{middle.size:,} {characteristic} readings, no limits: {chart.reason}"
    baseline = f"all {middle.size:,} readings, the very ones charted; nothing is frozen"
    return DimensionChart(
        lap, part, characteristic, chart, tuple(ids.tolist()), tuple(faces["time_text"].tolist()), low, high,
        tuple(ids[out].tolist()), after.phi, sentence, baseline, _sees(chart, phi),
    )  # fmt: skip


def _sees(chart: Chart, phi: float) -> str:
    """Say which shift the chart sees after how many faces."""
    if chart.status != "ok":
        return ""
    width = float(chart.upper[0] - chart.centre[0]) / chart.sigma

    def run(shift: float) -> float:
        if phi:
            return dependent_run_length(phi, width, shift_sd=shift).average
        return rule_run_length((RULES["beyond the limit"],), limit_z=width, shift_sd=shift).average

    return seen(run, chart.sigma, "um", "faces")


def study_dimension(
    view: CellView, part: str, characteristic: str = "thickness", *, laps: tuple[str, ...] = (), level: float = 0.95
) -> DimensionStudy:
    """Hold a dimension of one part number against the limits in the register.

    Parameters
    ----------
    view : CellView
        With every row of the part.
    part : str
    characteristic : str
        One of `DIMENSIONS`.
    laps : tuple of str
        Only these; none = all.
    level : float, default 0.95

    Returns
    -------
    DimensionStudy

    Raises
    ------
    ValueError
        If the characteristic or a lap is unknown.
    """
    _known(characteristic)
    unknown = sorted(set(laps) - set(view.laps["lap"]))
    if unknown:
        raise ValueError(f"`laps` must name laps of the log; unknown: {', '.join(unknown)}")
    faces = _read(view.faces, characteristic)
    faces = faces[faces["part"] == part]
    if laps:
        faces = faces[faces["lap"].isin(laps)]
    faces = faces.sort_values("sort_us", kind="stable")
    limits = view.limits[view.limits["characteristic"] == characteristic]
    own = limits[limits["part"] == part]
    row = own if len(own) else limits[limits["part"] == "*"]
    lower, upper = (float(row[f"{side}_um"].iloc[0]) if len(row) else math.nan for side in ("lower", "upper"))
    texts = [str(row[f"{side}_text"].iloc[0]) if len(row) else "" for side in ("lower", "upper")]
    said = " to ".join(t for t in texts if t)
    ids = tuple(faces["face_id"].tolist())
    name = part or "parts without a number"
    if math.isnan(lower) and math.isnan(upper):
        why = f"no index: no limit of {characteristic} is known for {name}; `lapcell parts set` sets one"
        return DimensionStudy(part, characteristic, laps, "", lower, upper, None, ids, why)
    low, high = _ends(faces, characteristic)
    if low.size == 0:
        why = f"no index: no reading of {characteristic} for {name} is in this study"
        return DimensionStudy(part, characteristic, laps, said, lower, upper, None, ids, why)
    chain = faces["lap"].astype(str) + "\n" + faces["cycle"].astype(str)
    order = np.argsort(pd.factorize(chain)[0], kind="stable")
    index = dimension_index(
        low[order], high[order], lower_um=lower, upper_um=upper, chain=pd.factorize(chain)[0][order], level=level
    )
    return DimensionStudy(part, characteristic, laps, said, lower, upper, index, ids, index.sentence)


def _known(characteristic: str) -> None:
    if characteristic not in DIMENSIONS:
        raise ValueError(f"`characteristic` must be one of {', '.join(DIMENSIONS)}, got {characteristic!r}")


def _read(faces: pd.DataFrame, characteristic: str) -> pd.DataFrame:
    low, high = _ends(faces, characteristic)
    return faces[(faces["kind"] == "face").to_numpy() & np.isfinite(low) & np.isfinite(high)]


def _ends(faces: pd.DataFrame, characteristic: str) -> tuple[Array, Array]:
    low, high = (faces[f"{characteristic}_{end}_um"].to_numpy(np.float64) for end in ("low", "high"))
    return low, high


def _one_part(faces: pd.DataFrame, part: str, lap: str, characteristic: str) -> str:
    parts = sorted(set(faces["part"]))
    if part and part not in parts:
        raise ValueError(f"`part` must be a part number with {characteristic} readings on {lap}, got {part!r}")
    if part or len(parts) < 2:
        return part or (parts[0] if parts else "")
    named = ", ".join(p or "'' (none)" for p in parts[:_PARTS_NAMED])
    more = f" and {len(parts) - _PARTS_NAMED} more" if len(parts) > _PARTS_NAMED else ""
    raise ValueError(f"`part` must be named: {lap} carries {characteristic} of {named}{more}; give --part")

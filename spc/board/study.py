"""A capability study: a plan of what to look at, the closed list of readings it takes, and what may be said of them."""

import hashlib
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_view import CellView
from spc.board.chart_signals import chart_cell, chart_signals
from spc.capability.index import MixtureIndex, QuantileIndex, mixture_index, quantile_index
from spc.capability.refusal import Refusal, StudyFacts, TrendCheck, check_trend, refusals
from spc.model.fit_test import FitCheck, check_fit
from spc.model.interval_fit import FamilyChoice, IntervalFit, choose_family
from spc.model.truncation import CutOff, check_cut_off

__all__ = ["READINGS", "Study", "StudyPlan", "plan_from_json", "run_study"]

READINGS = {"first pass": "the first reading of every face", "final": "the last reading of every face"}
CHARACTERISTICS = ("flatness", "finish", "parallelism", "squareness")
CYCLES_DIFFER_P = 0.01  # cycles are called different where chance alone shows it in one study of 100
AGE_CLASSES = 4  # ages are put into so many classes of equal number of faces for the mixture
_LEAST_IN_CLASS = 8
_GAUGE_REPEATS = 20  # repeat readings in the log, by two readers or more, that stand for a gauge study; our own rule

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StudyPlan:
    """What a study takes; stored as it is, so that the study can be made again."""

    part: str
    characteristic: str = "flatness"
    laps: tuple[str, ...] = ()  # none = every lap that laps the part
    since: str = ""  # ISO date, first day taken; '' = from the first
    until: str = ""  # ISO date, last day taken; '' = to the last
    readings: str = "first pass"  # a key of READINGS
    level: float = 0.95
    limit_um: float | None = None  # None = the limit in the register
    planned_age_faces: float | None = None  # the value at this age is given too
    excluded: Mapping[int, str] = field(default_factory=dict)  # face id -> cause, each with its reason
    title: str = ""

    def as_json(self) -> dict[str, Any]:
        """Plain values, fit to be stored."""
        plain = asdict(self)
        plain["laps"] = list(self.laps)
        plain["excluded"] = {str(k): v for k, v in sorted(self.excluded.items())}
        return plain


def plan_from_json(stored: Mapping[str, Any]) -> StudyPlan:
    """Read back what `StudyPlan.as_json` gave."""
    values = dict(stored)
    values["laps"] = tuple(values.get("laps", ()))
    values["excluded"] = {int(k): str(v) for k, v in values.get("excluded", {}).items()}
    return StudyPlan(**values)


@dataclass(frozen=True, slots=True)
class Study:
    """A study carried out: everything a report or an auditor needs."""

    plan: StudyPlan
    status: str  # 'computed' or 'refused'
    sentence: str
    limit_um: float  # NaN = none known
    limit_text: str
    limit_revision: int  # 0 = given in the plan
    data: pd.DataFrame  # face_id, lap, cycle, age_faces, serial, operator, time_text, text, low_um, high_um
    left_out: tuple[tuple[int, str], ...]  # face id and cause
    fingerprint: str  # SHA-256 over ids and intervals of `data`
    facts: StudyFacts | None
    refusals: tuple[Refusal, ...]
    choice: FamilyChoice | None
    fit: FitCheck | None
    cut_off: CutOff | None
    trend: TrendCheck | None
    index: QuantileIndex | None
    time_model: str  # 'constant', 'trend within cycles', 'cycles differ', 'trend within cycles and cycles differ', ''
    whole_cycles: MixtureIndex | None  # performance over whole cycles, each age weighted as produced
    at_planned_age: MixtureIndex | None
    spread: tuple[tuple[str, float], ...]  # name, standard deviation in um: overall, within cycles, between cycles


def run_study(view: CellView, plan: StudyPlan) -> Study:
    """Carry out a study on a cell already looked at.

    Parameters
    ----------
    view : CellView
    plan : StudyPlan

    Returns
    -------
    Study
        'refused' with its reason when nothing can be said; an index or its refusals otherwise. The same plan on the
        same readings gives the same study to the last digit.

    Raises
    ------
    ValueError
        If the plan names an unknown characteristic or kind of reading, a lap or day that cannot be, or excludes a face
        without a cause.
    """
    _check(plan)
    data = _readings(view, plan)
    limit_um, limit_text, revision = _limit(view, plan)
    kept = data[~data["face_id"].isin(plan.excluded)].reset_index(drop=True)
    left_out = tuple((int(i), plan.excluded[int(i)]) for i in data["face_id"] if int(i) in plan.excluded)
    print_of = _fingerprint(kept)
    empty = Study(
        plan, "refused", "", limit_um, limit_text, revision, kept, left_out, print_of,
        None, (), None, None, None, None, None, "", None, None, (),
    )  # fmt: skip
    if not math.isfinite(limit_um):
        return _refused(empty, f"no upper limit of {plan.characteristic} is known for {plan.part}: set one first")
    if len(kept) < 2:
        return _refused(empty, f"{len(kept)} readings of {plan.characteristic} for {plan.part} in this study: too few")
    low, high = kept["low_um"].to_numpy(np.float64), kept["high_um"].to_numpy(np.float64)
    choice = choose_family(low, high)
    if choice.best is None or choice.status == "refused":
        return _refused(empty, f"no law can be fitted: {choice.reason}")
    fit = check_fit(choice.best)
    # Where further passes are logged, a first reading was taken before anybody could lap the face until it was good.
    before_any_pass = plan.readings == "first pass" and _further_passes(view, plan) > 0
    cut_off = None if before_any_pass else check_cut_off(low, high, limit_um)
    trend = check_trend(kept["age_faces"], low, high)
    facts = _facts(view, plan, kept, limit_um, fit, cut_off, trend)
    found = refusals(facts)
    index = quantile_index(choice, limit_um, refusals=found, level=plan.level)
    time_model = _time_model(kept, trend)
    whole, at_age = _over_cycles(kept, limit_um, plan.planned_age_faces) if _trends(trend) else (None, None)
    return Study(
        plan, "computed" if index.status == "computed" else "refused", index.sentence, limit_um, limit_text, revision,
        kept, left_out, print_of, facts, found, choice, fit, cut_off, trend, index, time_model, whole, at_age,
        _spread(kept),
    )  # fmt: skip


def _check(plan: StudyPlan) -> None:
    if plan.characteristic not in CHARACTERISTICS:
        raise ValueError(f"`characteristic` must be one of {', '.join(CHARACTERISTICS)}, got {plan.characteristic!r}")
    if plan.readings not in READINGS:
        raise ValueError(f"`readings` must be one of {', '.join(READINGS)}, got {plan.readings!r}")
    if not 0.5 <= plan.level < 1:
        raise ValueError(f"`level` must be from 0.5 to below 1, got {plan.level}")
    if plan.limit_um is not None and not 0 < plan.limit_um < math.inf:
        raise ValueError(f"`limit_um` must be a finite length greater than 0, got {plan.limit_um}")
    for face_id, cause in plan.excluded.items():
        if not cause.strip():
            raise ValueError(f"`excluded` must give a cause for every face; face {face_id} has none")
    for name in ("since", "until"):
        text = getattr(plan, name)
        if text:
            try:
                pd.Timestamp(text)
            except ValueError:
                raise ValueError(f"`{name}` must be an ISO date such as 2026-03-04, got {text!r}") from None


def _readings(view: CellView, plan: StudyPlan) -> pd.DataFrame:
    faces = view.faces[(view.faces["kind"] == "face") & (view.faces["part"] == plan.part)]
    if plan.laps:
        unknown = sorted(set(plan.laps) - set(view.laps["lap"]))
        if unknown:
            raise ValueError(f"`laps` must name laps of the log; unknown: {', '.join(unknown)}")
        faces = faces[faces["lap"].isin(plan.laps)]
    day_us = 86_400_000_000
    if plan.since:
        faces = faces[faces["sort_us"] >= pd.Timestamp(plan.since).value // 1000]
    if plan.until:
        faces = faces[faces["sort_us"] < pd.Timestamp(plan.until).value // 1000 + day_us]
    low, high = f"{plan.characteristic}_low_um", f"{plan.characteristic}_high_um"
    faces = faces[faces[low].notna() & faces[high].notna()]
    if plan.readings == "first pass":
        faces = faces[faces["attempt"] <= 1]
    else:
        named = faces["serial"] != ""
        again = faces[named].duplicated(["part", "serial", "face"], keep="last")
        faces = faces.drop(index=again.index[again])
    columns = {
        "face_id": "face_id", "lap": "lap", "cycle": "cycle", "age_faces": "age_faces", "serial": "serial",
        "operator": "operator", "time_text": "time_text", f"{plan.characteristic}_text": "text", low: "low_um",
        high: "high_um", "remarks": "remarks",
    }  # fmt: skip
    return faces[list(columns)].rename(columns=columns).reset_index(drop=True)


def _limit(view: CellView, plan: StudyPlan) -> tuple[float, str, int]:
    if plan.limit_um is not None:
        return plan.limit_um, f"{plan.limit_um:g} um, given for this study", 0
    limits = view.limits[view.limits["characteristic"] == plan.characteristic]
    own = limits[limits["part"] == plan.part]
    row = own if len(own) else limits[limits["part"] == "*"]
    if row.empty or not math.isfinite(float(row["upper_um"].iloc[0])):
        return math.nan, "", 0
    upper = float(row["upper_um"].iloc[0])
    return upper, str(row["upper_text"].iloc[0]) or f"{upper:g} um", int(row["revision"].iloc[0])


def _facts(
    view: CellView, plan: StudyPlan, kept: pd.DataFrame, limit_um: float, fit: FitCheck,
    cut_off: CutOff | None, trend: TrendCheck,
) -> StudyFacts:  # fmt: skip
    cell = chart_cell(view)
    laps = sorted(set(kept["lap"]))
    sign = plan.characteristic if plan.characteristic in ("flatness", "finish") else ""
    spoken = sum(1 for lap in laps for s in chart_signals(view, cell, lap) if s.sign == sign)
    parts = kept["serial"].where(kept["serial"] != "", kept["face_id"].astype(str))
    width = (kept["high_um"] - kept["low_um"])[np.isfinite(kept["high_um"]) & (kept["low_um"] > 0)]
    return StudyFacts(
        faces=int(parts.nunique()),
        cycles=int(kept[["lap", "cycle"]].drop_duplicates().shape[0]),
        limit_um=limit_um,
        step_um=float(width.median()) if len(width) else None,
        open_signals=spoken,
        trend_p_value=trend.p_value if math.isfinite(trend.p_value) else None,
        trend_modelled=False,
        cut_off="not cut off" if cut_off is None else cut_off.status,
        units_inferred=bool(kept["remarks"].str.contains("inferred").any()),
        gauge_study=_has_gauge_data(view, plan),
        fit=fit.status,
        operator_confounded=_confounded(kept),
    )


def _further_passes(view: CellView, plan: StudyPlan) -> int:
    faces = view.faces
    return int(((faces["part"] == plan.part) & (faces["kind"] == "face") & (faces["attempt"] > 1)).sum())


def _has_gauge_data(view: CellView, plan: StudyPlan) -> bool:
    repeats = view.faces[(view.faces["kind"] == "repeat") & view.faces[f"{plan.characteristic}_low_um"].notna()]
    return len(repeats) >= _GAUGE_REPEATS and repeats["operator"].nunique() >= 2


def _confounded(kept: pd.DataFrame) -> bool | None:
    """Whether no lap was used by two people while there are several laps and people; None = people unknown."""
    named = kept[kept["operator"] != ""]
    if len(named) < len(kept) / 2:
        return None
    if named["lap"].nunique() < 2 or named["operator"].nunique() < 2:
        return False
    return bool((named.groupby("lap")["operator"].nunique() == 1).all())


def _trends(trend: TrendCheck) -> bool:
    return math.isfinite(trend.p_value) and trend.p_value < 0.01


def _time_model(kept: pd.DataFrame, trend: TrendCheck) -> str:
    """Name how the readings move in time: ISO 22514-2 calls these its time-dependent models (from memory)."""
    from scipy.stats import kruskal

    middle = _middles(kept)
    age = kept["age_faces"].to_numpy(np.float64)
    if _trends(trend):
        slope = np.polyfit(age, middle, 1)[0]
        middle = middle - slope * age
    groups = [middle[rows] for rows in kept.groupby(["lap", "cycle"], sort=True).indices.values() if len(rows) >= 5]
    differ = len(groups) >= 2 and np.ptp(middle) > 0 and float(kruskal(*groups).pvalue) < CYCLES_DIFFER_P
    named = [name for name, so in (("trend within cycles", _trends(trend)), ("cycles differ", differ)) if so]
    return " and ".join(named) or "constant"


def _over_cycles(
    kept: pd.DataFrame, limit_um: float, planned_age: float | None
) -> tuple[MixtureIndex | None, MixtureIndex | None]:
    """Give the performance of whole cycles, a law for each class of age mixed as faces were made; and at one age."""
    age = kept["age_faces"].to_numpy(np.float64)
    edges = np.unique(np.quantile(age, np.linspace(0, 1, AGE_CLASSES + 1)))
    classes = np.clip(np.searchsorted(edges, age, side="right") - 1, 0, max(len(edges) - 2, 0))
    fits: list[IntervalFit] = []
    weights: list[float] = []
    at_age: MixtureIndex | None = None
    for k in range(max(len(edges) - 1, 0)):
        rows = kept[classes == k]
        if len(rows) < _LEAST_IN_CLASS:
            continue
        choice = choose_family(rows["low_um"].to_numpy(np.float64), rows["high_um"].to_numpy(np.float64))
        if choice.best is None or choice.status == "refused":
            continue
        fits.append(choice.best)
        weights.append(float(len(rows)))
        if planned_age is not None and edges[k] <= planned_age <= edges[k + 1]:
            at_age = mixture_index([choice.best], [1.0], limit_um)
    return (mixture_index(fits, weights, limit_um) if len(fits) >= 2 else None), at_age


def _spread(kept: pd.DataFrame) -> tuple[tuple[str, float], ...]:
    """Give standard deviations of the middles of the readings: over all, within cycles, and what cycles add."""
    middle = _middles(kept)
    if len(middle) < 3:
        return ()
    overall = float(np.std(middle, ddof=1))
    codes = kept.groupby(["lap", "cycle"], sort=True).ngroup().to_numpy()
    counts = np.bincount(codes)
    means = np.bincount(codes, middle) / counts
    free = len(middle) - counts.size
    within = math.sqrt(float(np.sum((middle - means[codes]) ** 2)) / free) if free > 0 else math.nan
    between = math.sqrt(max(overall**2 - within**2, 0.0)) if math.isfinite(within) else math.nan
    return (("overall", overall), ("within cycles", within), ("between cycles", between))


def _middles(kept: pd.DataFrame) -> Array:
    low, high = kept["low_um"].to_numpy(np.float64), kept["high_um"].to_numpy(np.float64)
    return np.where(np.isfinite(high), (low + np.where(np.isfinite(high), high, low)) / 2, low)


def _fingerprint(kept: pd.DataFrame) -> str:
    digest = hashlib.sha256()
    for face_id, low, high in zip(kept["face_id"], kept["low_um"], kept["high_um"], strict=True):
        digest.update(f"{int(face_id)}|{float(low).hex()}|{float(high).hex()}\n".encode())
    return digest.hexdigest()


def _refused(study: Study, why: str) -> Study:
    return replace(study, sentence=f"No index: {why}.")

"""A capability study: what may be said of a closed list of readings, or why nothing may be said."""

import math
from dataclasses import dataclass, fields, replace
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_charts import CellCharts
from spc.board.cell_view import CellView
from spc.board.gauge_study import readings_of_repeats
from spc.board.remembered import Remembered
from spc.board.study_cycles import AtAge, OverCycles, at_planned_age, over_cycles
from spc.board.study_material import FIRST_NOT_LOGGED, StudyMaterial, gather
from spc.board.study_plan import StudyPlan
from spc.capability.gauge import is_gauge_study
from spc.capability.index import QuantileIndex, quantile_index
from spc.capability.refusal import TREND_LEVEL, Refusal, StudyFacts, TrendCheck, check_trend, refusals
from spc.measure.interval import middle_of
from spc.model.fit_test import FitCheck, check_fit
from spc.model.interval_fit import FamilyChoice, choose_family
from spc.model.truncation import CutOff, check_cut_off
from spc.model.variance import nested, split_variance

__all__ = ["Spread", "Study", "compute_study", "run_study"]

_LEAST_IN_CYCLE = 5  # readings of a cycle that take part in that comparison
_STEP_HELD = 0.9  # share of the readings whose step is no coarser than the step held against the limit
_LEAST_VALUES = 4  # different values from which their spacing is read
_ON_STEP = 0.02  # of a step: nearer than this to a step is on it

Array = NDArray[np.float64]

# Bounds of an index take most of a study; what else the log says seldom touches the readings of one part.
_INDICES: Remembered[tuple[object, ...], QuantileIndex] = Remembered(64)


@dataclass(frozen=True, slots=True)
class Spread:
    """One standard deviation of the readings."""

    name: str  # 'overall', 'within cycles', 'between cycles'
    sd_um: float
    low_um: float  # 95 % interval; NaN for the overall one, which mixes what lies below
    high_um: float


@dataclass(frozen=True, slots=True)
class Study(StudyMaterial):
    """A study carried out: its material, and everything a report or an auditor needs beside it."""

    status: str  # 'computed' or 'refused'
    sentence: str
    facts: StudyFacts | None
    refusals: tuple[Refusal, ...]
    choice: FamilyChoice | None
    fit: FitCheck | None
    cut_off: CutOff | None
    trend: TrendCheck | None
    index: QuantileIndex | None
    time_model: str  # 'constant', 'trend within cycles', 'cycles differ', 'trend within cycles and cycles differ', ''
    whole_cycles: OverCycles | None
    at_planned_age: AtAge | None
    spread: tuple[Spread, ...]
    spread_sentence: str  # how it was split, or why it was not


def run_study(view: CellView, plan: StudyPlan, *, cell: CellCharts | None = None) -> Study:
    """Carry out a study on a cell already looked at.

    Parameters
    ----------
    view : CellView
    plan : StudyPlan
    cell : CellCharts, optional
        The charts of the same view, where they are already known.

    Returns
    -------
    Study

    Raises
    ------
    ValueError
        If the plan cannot be, names a lap no log knows, or leaves out a face that is not among the readings.
    """
    return compute_study(gather(view, plan, cell=cell))


def compute_study(material: StudyMaterial) -> Study:
    """Compute all that may be said of the material of a study.

    Parameters
    ----------
    material : StudyMaterial
        As gathered now, or as stored with a version of a study.

    Returns
    -------
    Study
        'refused' with its reason when nothing can be said; an index or its refusals otherwise. The same material gives
        the same study to the last digit.
    """
    plan, kept, limit_um = material.plan, material.data, material.limit_um
    same = {f.name: getattr(material, f.name) for f in fields(StudyMaterial)}
    empty = Study(
        **same, status="refused", sentence="", facts=None, refusals=(), choice=None, fit=None, cut_off=None,
        trend=None, index=None, time_model="", whole_cycles=None, at_planned_age=None, spread=(), spread_sentence="",
    )  # fmt: skip
    if kept.empty:
        return _refused(empty, f"no reading of {plan.characteristic} for {plan.part} is in this study{_why(material)}")
    if not math.isfinite(limit_um):
        return _refused(empty, f"no upper limit of {plan.characteristic} is known for {plan.part}: set one first")
    if len(kept) < 2:
        return _refused(empty, f"1 reading of {plan.characteristic} for {plan.part} in this study: too few")
    low, high = kept["low_um"].to_numpy(np.float64), kept["high_um"].to_numpy(np.float64)
    choice = choose_family(low, high)
    if choice.best is None or choice.status == "refused":
        return _refused(empty, f"no law can be fitted: {choice.reason}")
    fit = check_fit(choice.best)
    # Where further passes are logged, a first reading was taken before anybody could lap the face until it was good.
    before_any_pass = plan.readings == "first pass" and material.further_passes
    cut_off = None if before_any_pass else check_cut_off(low, high, limit_um)
    trend = check_trend(kept["age_faces"], low, high, what=plan.characteristic)
    differ_p = _cycles_differ(kept, trend)
    facts = _facts(material, fit, cut_off, trend, differ_p)
    found = refusals(facts)
    index = _INDICES.get(
        (low.tobytes(), high.tobytes(), limit_um, plan.level, found),
        partial(quantile_index, choice, limit_um, refusals=found, level=plan.level),
    )
    spread, spread_sentence = _spread(kept, trend)
    # Ages that differ spoil one law for all of them, not the laws of each age: what the readings are bars those too.
    sure_of_readings = not {"units inferred", "first passes not logged"} & {
        r.name for r in found if r.bars == "any index"
    }
    return replace(
        empty,
        status="computed" if index.status == "computed" else "refused",
        sentence=index.sentence,
        facts=facts,
        refusals=found,
        choice=choice,
        fit=fit,
        cut_off=cut_off,
        trend=trend,
        index=index,
        time_model=_time_model(trend, differ_p),
        whole_cycles=over_cycles(kept, limit_um, level=plan.level) if sure_of_readings else None,
        at_planned_age=at_planned_age(kept, limit_um, material.planned_age, level=plan.level, refusals=found)
        if sure_of_readings
        else None,
        spread=spread,
        spread_sentence=spread_sentence,
    )


def _why(material: StudyMaterial) -> str:
    told = [f"{count} {why}" for why, count in material.not_taken] + [f"{len(material.left_out)} left out by a person"]
    left = [text for text in told if not text.startswith("0 ")]
    return f" ({'; '.join(left)})" if left else ""


def _facts(
    material: StudyMaterial, fit: FitCheck, cut_off: CutOff | None, trend: TrendCheck, differ_p: float
) -> StudyFacts:
    kept, gauge = material.data, readings_of_repeats(material.repeats)
    parts = kept["serial"].where(kept["serial"] != "", kept["face_id"].astype(str))
    width = (kept["high_um"] - kept["low_um"])[np.isfinite(kept["high_um"]) & (kept["low_um"] > 0)]
    written = float(np.quantile(width, _STEP_HELD, method="lower")) if len(width) else None
    return StudyFacts(
        faces=int(parts.nunique()),
        cycles=int(kept[["lap", "cycle"]].drop_duplicates().shape[0]),
        limit_um=material.limit_um,
        step_um=None if written is None else max(written, _seen_step(kept)),
        written_um=written,
        open_signals=len(material.signals) if material.watched else None,
        cycles_differ_p=differ_p if math.isfinite(differ_p) else None,
        watched_share=material.watched / len(kept),
        trend_p_value=trend.p_value if math.isfinite(trend.p_value) else None,
        trend_modelled=False,
        cut_off="not cut off" if cut_off is None else cut_off.status,
        units_inferred=material.plan.characteristic == "flatness" and bool((kept["unit"] == "").any()),
        gauge_study=is_gauge_study(faces=gauge.faces, repeats=gauge.repeats, readers=gauge.readers),
        fit=fit.status,
        operator_confounded=_confounded(kept),
        characteristic=material.plan.characteristic,
        first_not_logged=dict(material.not_taken).get(FIRST_NOT_LOGGED, 0),
    )


def _seen_step(kept: pd.DataFrame) -> float:
    """Give the spacing of the values that occur, micrometres; 0 where they lie on no common steps."""
    middle = _middles(kept[np.isfinite(kept["high_um"])])
    values, counts = np.unique(np.round(middle, 6), return_counts=True)
    often = values[counts >= max(2, len(middle) // 100)]
    if len(often) < _LEAST_VALUES:
        return 0.0
    step = float(np.diff(often).min())
    off = np.abs((middle - often[0]) / step - np.round((middle - often[0]) / step))
    return step if float(np.mean(off < _ON_STEP)) >= _STEP_HELD else 0.0


def _confounded(kept: pd.DataFrame) -> bool | None:
    """Whether no lap was used by two people while there are several laps and people; None = people unknown."""
    named = kept[kept["operator"] != ""]
    if len(named) < len(kept) / 2:
        return None
    if named["lap"].nunique() < 2 or named["operator"].nunique() < 2:
        return False
    return bool((named.groupby("lap")["operator"].nunique() == 1).all())


def _trends(trend: TrendCheck) -> bool:
    return math.isfinite(trend.p_value) and trend.p_value < TREND_LEVEL


def _cycles_differ(kept: pd.DataFrame, trend: TrendCheck) -> float:
    """Chance of cycles as different as these if all were alike, a trend with age taken out; NaN = one cycle only.

    References
    ----------
    Kruskal and Wallis (1952), Journal of the American Statistical Association 47, 583 (scipy.stats.kruskal).
    """
    from scipy.stats import kruskal

    middle = _middles(kept)
    age = kept["age_faces"].to_numpy(np.float64)
    if _trends(trend):
        middle = middle - np.polyfit(age, middle, 1)[0] * age
    cycles = kept.groupby(["lap", "cycle"], sort=True).indices.values()
    groups = [middle[rows] for rows in cycles if len(rows) >= _LEAST_IN_CYCLE]
    if len(groups) < 2 or not np.ptp(np.concatenate(groups)) > 0:
        return math.nan
    return float(kruskal(*groups).pvalue)


def _time_model(trend: TrendCheck, differ_p: float) -> str:
    """Name how the readings move in time (the idea of time-dependent models is that of ISO 22514-2, from memory)."""
    named = [
        name for name, so in (("trend within cycles", _trends(trend)), ("cycles differ", differ_p < TREND_LEVEL)) if so
    ]
    return " and ".join(named) or "constant"


def _spread(kept: pd.DataFrame, trend: TrendCheck) -> tuple[tuple[Spread, ...], str]:
    """Split the spread of the middles of the readings within and between cycles, the trend with age taken out."""
    middle = _middles(kept)
    overall = Spread("overall", float(np.std(middle, ddof=1)), math.nan, math.nan)
    taken_out = _trends(trend)
    fixed = kept[["age_faces"]].to_numpy(np.float64) if taken_out else None
    split = split_variance(middle, {"cycle": nested(kept["lap"].tolist(), kept["cycle"].tolist())}, fixed=fixed)
    if split.status != "split":
        return (overall,), f"not split within and between cycles: {split.sentence}"
    between, within = split.components
    named = (("within cycles", within), ("between cycles", between))
    out = ", a straight line with age in the cycle taken out" if taken_out else ""
    sentence = (
        f"of the middles of {split.n:,} readings in {between.levels:,} cycles, by restricted maximum likelihood with "
        f"profile intervals{out}; reading steps are in the spread within cycles"
    )
    return (overall, *(Spread(name, c.sd, c.low_sd, c.high_sd) for name, c in named)), sentence


def _middles(kept: pd.DataFrame) -> Array:
    return middle_of(kept["low_um"], kept["high_um"])


def _refused(study: Study, why: str) -> Study:
    return replace(study, sentence=f"No index: {why}.")

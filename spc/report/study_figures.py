"""The two pictures of a study as data: the law over the readings, and the readings over their age."""

import numpy as np

from spc.board.study import Study
from spc.model.bounds import INDEX_TAIL
from spc.report.content import Figure, Series
from spc.report.voice import Voice, capital

__all__ = ["age_figure", "law_figure"]

_MOST_BARS = 40
_LAW_POINTS = 200
_MOST_INTERVALS = 1500  # a picture with more marks is a blot; the list holds them all


def law_figure(study: Study, say: Voice) -> Figure:
    """Shares of the readings over the lengths they stand for, the law fitted to them, and the limit.

    Parameters
    ----------
    study : Study
        With a law chosen.
    say : Voice
    """
    fit = study.choice.best if study.choice is not None else None
    if fit is None:
        raise ValueError("`study` must have a law chosen for the picture of its law")
    low, high = (study.data[name].to_numpy(np.float64) for name in ("low_um", "high_um"))
    edges, shares = _histogram(low, high)
    top = max(float(fit.isf(INDEX_TAIL)), study.limit_um, float(edges[-1])) * 1.08
    x = np.linspace(top / _LAW_POINTS, top, _LAW_POINTS)
    unit, locale = say.unit, say.locale
    scale = unit.um_per_unit
    step = edges[1:] - edges[:-1]
    per_unit = shares / step * scale
    median, point = float(fit.ppf(0.5)), float(fit.isf(INDEX_TAIL))
    where = f"{locale.number(unit.of(study.limit_um), unit.decimals)} {unit.label}"
    marks = (
        Series("limit", "upright", "limit", (unit.of(study.limit_um),)),
        Series("median of the law", "upright", "mark", (unit.of(median),)),
        Series("99.865% point of the law", "upright", "mark", (unit.of(point),)),
    )
    return Figure(
        "law",
        "Readings and their law",
        f"Bars: share of the readings per {unit.single}, each reading spread over the length it stands for. Curve: the "
        f"{fit.family} law. Dashed: its median and 99.865% point. Heavy: the limit, {where}.",
        f"{len(study.data):,} readings against the limit {where}. The {fit.family} law has its median at "
        f"{locale.number(unit.of(median), unit.decimals)} and its 99.865% point at "
        f"{locale.number(unit.of(point), unit.decimals)} {unit.label}.",
        f"{study.plan.characteristic}, {unit.label}",
        f"share per {unit.single}",
        (
            Series("readings", "bars", "data", _floats(edges[:-1] / scale), _floats(per_unit),
                   x2=_floats(edges[1:] / scale)),
            Series(f"{fit.family} law", "line", "law", _floats(x / scale), _floats(fit.density(x) * scale)),
            *marks,
        ),
    )  # fmt: skip


def age_figure(study: Study, say: Voice) -> Figure:
    """Every reading as an upright bar over its age in the cycle, with the limit."""
    data, unit, locale = study.data, say.unit, say.locale
    age, low = data["age_faces"].to_numpy(np.float64), data["low_um"].to_numpy(np.float64)
    high = data["high_um"].to_numpy(np.float64)
    closed = high[np.isfinite(high)]
    top = max([study.limit_um, float(low.max()), *([float(closed.max())] if closed.size else [])])
    high = np.where(np.isfinite(high), high, 1.1 * top)
    every = max(1, -(-len(data) // _MOST_INTERVALS))
    order = np.lexsort((low, age))[::every]
    thinned = f" One reading in {every} is drawn." if every > 1 else ""
    oldest = locale.number(float(age.max()), 0)
    return Figure(
        "ages",
        "Readings over age in the cycle",
        "Each reading is an upright bar from the least to the most it can stand for; age counts lappings since "
        f"reconditioning. Heavy: the limit.{thinned}",
        f"{len(data):,} readings over ages 0 to {oldest} faces. "
        f"{say(capital(study.trend.sentence)) if study.trend else ''}",
        "faces since reconditioning",
        f"{study.plan.characteristic}, {unit.label}",
        (
            Series("readings", "intervals", "data", _floats(age[order]), _floats(low[order] / unit.um_per_unit),
                   y2=_floats(high[order] / unit.um_per_unit)),
            Series("limit", "line", "limit", (0.0, float(age.max())), (unit.of(study.limit_um),) * 2),
        ),
    )  # fmt: skip


def _histogram(low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Edges and shares: each reading spread evenly over its interval; an open one stands in the last bar."""
    closed = np.isfinite(high)
    top = float(max(high[closed].max(initial=0.0), low.max()))
    ends = np.unique(np.round(np.concatenate([low, high[closed], [top]]), 9))
    if ends.size > _MOST_BARS + 1 or ends.size < 2:
        ends = np.linspace(0.0 if ends.size < 2 else ends[0], max(top, 1e-9), _MOST_BARS + 1)
    high = np.where(closed, high, np.maximum(top, low))
    width = np.maximum(high - low, 1e-12)
    pairs, counts = np.unique(np.column_stack([low, high, width]), axis=0, return_counts=True)
    over = np.minimum(pairs[:, 1:2], ends[None, 1:]) - np.maximum(pairs[:, 0:1], ends[None, :-1])
    part = np.clip(over, 0.0, None) / pairs[:, 2:3]
    point = pairs[:, 1] - pairs[:, 0] <= 1e-12
    at = np.clip(np.searchsorted(ends, pairs[:, 0], side="right") - 1, 0, ends.size - 2)
    part[point] = 0.0
    part[np.flatnonzero(point), at[point]] = 1.0
    shares = (part * counts[:, None]).sum(axis=0) / counts.sum()
    return ends, shares


def _floats(values: np.ndarray) -> tuple[float, ...]:
    return tuple(float(v) for v in values)

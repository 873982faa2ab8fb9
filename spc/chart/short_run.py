"""Short runs and many part numbers on one lap: readings made comparable before they share a chart."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.checks import finite, number_in, readings_of, segment_starts
from spc.chart.individuals import local_spread
from spc.chart.part_levels import PartLevels, equal_spread, part_levels, positive_readings
from spc.chart.price import in_points
from spc.chart.result import Chart, unable
from spc.chart.rules import RULES, rule_signals
from spc.chart.run_length import rule_run_length

__all__ = ["ShortRunChart", "ratio_chart", "standard_chart"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ShortRunChart:
    """The chart of comparable readings and what they were made comparable by."""

    chart: Chart
    levels: PartLevels | None


def ratio_chart(
    values: ArrayLike,
    parts: ArrayLike,
    *,
    segments: ArrayLike | None = None,
    baseline: ArrayLike | None = None,
    width_sd: float = 3.0,
    sides: str = "both",
) -> ShortRunChart:
    """Chart the logarithm of each reading over the level of its part.

    Parameters
    ----------
    values : (n,) floats
        Readings greater than 0, in order of time; NaN = not measured.
    parts : (n,) ids
    segments : (n,) ids, optional
        Stretches that no difference crosses. A change of part is no break here: ratios are comparable.
    baseline : (n,) bools, optional
        Readings from which levels and spread are estimated.
    width_sd : float, default 3
    sides : {'both', 'upper', 'lower'}

    Returns
    -------
    ShortRunChart
        Values are natural logarithms of ratios: 0.1 is about 10 % above the part's level. Limits are wider for parts
        whose level is less well known.

    Raises
    ------
    ValueError
        If a reading is 0 or less, for wrong shapes or settings out of range.

    Notes
    -----
    Asks first whether the parts scatter alike; if they do not, the chart says so and `standard_chart` is the cure.

    References
    ----------
    ISO 7870-8, short runs and small mixed batches (title; formulas our own).
    """
    x, ids, used = positive_readings(values, parts, baseline)
    width = number_in(width_sd, "width_sd", above=0.0)
    log = np.log(x)
    levels = part_levels(values, parts, baseline=baseline)
    code = np.unique(ids, return_inverse=True)[1].reshape(-1)
    ratio = log - np.log(levels.level)[code]
    test = equal_spread(np.where(used, log, np.nan), parts)
    stretch = np.cumsum(_breaks(segments, x.size), dtype=np.intp)
    found = local_spread(ratio, segments=stretch, baseline=used)
    error = np.hypot(1.0, levels.level_sd[code] / found.sigma) if found.sigma > 0 else np.ones(x.size)
    chart = _chart(
        "ratio to part",
        "natural logarithm of each reading over the shrunk median of its part",
        ratio,
        stretch,
        found.sigma,
        error,
        width,
        sides,
        found.status,
        found.reason,
        found.n,
        found.how,
        (test.sentence,),
    )
    return ShortRunChart(chart=chart, levels=levels)


def standard_chart(
    values: ArrayLike,
    parts: ArrayLike,
    *,
    target: dict[object, float],
    spread: dict[object, float],
    segments: ArrayLike | None = None,
    width_sd: float = 3.0,
    sides: str = "both",
) -> ShortRunChart:
    """Chart (reading - target of its part) / spread of its part.

    Parameters
    ----------
    values : (n,) floats
        In order of time; NaN = not measured.
    parts : (n,) ids
    target, spread : dict by part id
        Known targets and standard deviations (greater than 0). Readings of a part that is in neither are not
        plotted, and the notes say so.
    segments : (n,) ids, optional
    width_sd : float, default 3
    sides : {'both', 'upper', 'lower'}

    Returns
    -------
    ShortRunChart

    Raises
    ------
    ValueError
        For a target that is not finite, a spread of 0 or less, wrong shapes or settings out of range.

    References
    ----------
    ISO 7870-8 (title; formula from memory).
    """
    width = number_in(width_sd, "width_sd", above=0.0)
    x = readings_of(values)
    ids = np.asarray(parts)
    if ids.shape != x.shape:
        raise ValueError(f"`parts` must hold one id per reading ({x.size}), got shape {ids.shape}")
    targets = {part: finite(value, "target") for part, value in target.items()}
    spreads = {part: number_in(value, "spread", above=0.0) for part, value in spread.items()}
    names, code = np.unique(ids, return_inverse=True)
    middle = np.array([targets.get(name, math.nan) for name in names.tolist()])[code.reshape(-1)]
    scale = np.array([spreads.get(name, math.nan) for name in names.tolist()])[code.reshape(-1)]
    z = (x - middle) / scale
    read = set(names[code.reshape(-1)[~np.isnan(x)]].tolist())
    unknown = sorted({str(name) for name in read if name not in targets or name not in spreads})
    test = equal_spread(z, parts)
    notes = [test.sentence]
    if unknown:
        notes.append(f"not plotted for want of a target or spread: part {', '.join(unknown)}")
    n = int(np.count_nonzero(~np.isnan(z)))
    status, reason = ("ok", "") if n else ("too few", "no reading of a part whose target and spread are known")
    stretch = np.cumsum(_breaks(segments, x.size), dtype=np.intp)
    chart = _chart(
        "standardised by part",
        "(reading - target of its part) / spread of its part",
        z,
        stretch,
        1.0,
        np.ones(x.size),
        width,
        sides,
        status,
        reason,
        n,
        "given for each part",
        tuple(notes),
    )
    return ShortRunChart(chart=chart, levels=None)


def _chart(
    name: str,
    method: str,
    value: Array,
    stretch: NDArray[np.intp],
    sigma: float,
    error: Array,
    width: float,
    sides: str,
    status: str,
    reason: str,
    n: int,
    how: str,
    notes: tuple[str, ...],
) -> Chart:
    starts = segment_starts(stretch, value.size)
    if status != "ok":
        return unable(name, status, reason, value, method=method, n=n, starts=starts)
    rules = (RULES["beyond the limit"],)
    run_length = rule_run_length(rules, limit_z=width, sides=sides)
    reach = width * sigma * error
    return Chart(
        name=name,
        status="ok",
        reason="",
        value=value,
        centre=np.zeros(value.size),
        lower=np.full(value.size, -math.inf) if sides == "upper" else -reach,
        upper=np.full(value.size, math.inf) if sides == "lower" else reach,
        starts=starts,
        signals=rule_signals(value / (sigma * error), rules=rules, limit_z=width, sides=sides, segments=stretch),
        method=method,
        n=n,
        missing=int(np.count_nonzero(np.isnan(value))),
        sigma=sigma,
        sigma_how=how,
        run_length=run_length,
        alarms=f"one false alarm in about {in_points(run_length.average)} points if these are normal and independent",
        notes=notes,
    )


def _breaks(ids: ArrayLike | None, n: int) -> NDArray[np.bool_]:
    flags = np.zeros(n, dtype=bool)
    flags[segment_starts(ids, n)] = True
    return flags

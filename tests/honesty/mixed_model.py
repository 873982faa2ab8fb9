"""The usual shortcut, to hold forecasts against: one mixed model for all units, its spreads taken as known.

Every unit is a straight line on some scale, level and slope jointly normal about their means; statsmodels' MixedLM by
restricted likelihood. A unit's own line is drawn given its readings so far, means and spreads as estimated (Lu and
Meeker 1993, Using degradation measures to estimate a time-to-failure distribution, Technometrics 35(2), the model of
section 2; from memory).
"""

import warnings
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from statsmodels.regression.mixed_linear_model import MixedLM

DRAWS, NEVER = 4000, 1e9


@dataclass(frozen=True)
class Unit:
    """Clock and wear as a share of the limit, equal lengths."""

    age: np.ndarray
    wear: np.ndarray

    def until(self, age):
        keep = self.age <= age
        return Unit(self.age[keep], self.wear[keep])


@dataclass(frozen=True)
class Scale:
    """Where units are straight lines: of wear in the clock, of its logarithm, or of both logarithms."""

    words: str
    log_wear: bool = False
    log_age: bool = False

    def xy(self, unit):
        can = (unit.wear > (0 if self.log_wear else -np.inf)) & (unit.age > (0 if self.log_age else -np.inf))
        x, y = unit.age[can], unit.wear[can]
        return np.log(x) if self.log_age else x, np.log(y) if self.log_wear else y


STRAIGHT, LOG, LOG_LOG = Scale("straight"), Scale("logarithm", True), Scale("both logarithms", True, True)


def crossing(unit):
    """Clock at which the readings, joined by straight lines, first reach the limit; NaN where they never do."""
    for (a, low), (b, high) in pairwise(zip(unit.age, unit.wear, strict=True)):
        if low < 1 <= high:
            return a + (1 - low) / (high - low) * (b - a)
    return np.nan


def forecast(units, place, share, scale, rng):
    """Low, median and high (5, 50, 95 %) of the clock at which the unit at a place crosses, cut at a share of life."""
    cut = share * crossing(units[place])
    data = [scale.xy(unit.until(cut) if at == place else unit) for at, unit in enumerate(units)]
    x, y = (np.concatenate([pair[side] for pair in data]) for side in (0, 1))
    group = np.repeat(np.arange(len(units)), [pair[0].size for pair in data])
    centre, width = x.mean(), x.std()

    def design(values):
        return np.column_stack([np.ones_like(values), (values - centre) / width])

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a spread of nought is an edge of its range
        fit = MixedLM(y, design(x), groups=group, exog_re=design(x)).fit(reml=True)
    mean, spread = np.asarray(fit.fe_params), np.asarray(fit.cov_re)
    own_x, own_y = data[place]
    rows = design(own_x)
    gain = spread @ rows.T @ np.linalg.inv(rows @ spread @ rows.T + fit.scale * np.eye(own_x.size))
    value, vector = np.linalg.eigh(spread - gain @ rows @ spread)
    root = vector * np.sqrt(np.clip(value, 0, None))
    level, slope = (mean + gain @ (own_y - rows @ mean) + rng.standard_normal((DRAWS, 2)) @ root.T).T
    there = np.where(slope > 0, ((0.0 if scale.log_wear else 1.0) - level) / slope * width + centre, np.inf)
    there = np.exp(np.minimum(there, np.log(NEVER))) if scale.log_age else there
    return np.quantile(np.clip(there, cut, NEVER), [0.05, 0.5, 0.95])

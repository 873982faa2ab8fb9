"""Where the spread comes from: variance components by restricted maximum likelihood, each with an interval.

The reading is a mean, plus one random amount per level of each factor (lap, cycle, operator, part, face), plus what is
left from reading to reading. Factors may be crossed or nested, the table unbalanced. A component whose estimate is zero
is shown as "0 to u". Where the table cannot tell two factors apart, the split is refused and the crossing that would
cure it is named (`connection.py`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.model.connection import confounded_factors

__all__ = ["VarianceComponent", "VarianceSplit", "nested", "split_variance"]

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

RESIDUAL = "reading to reading"
_ZERO = 1e-5  # sd against the residual sd below which a component is called zero
_MOST_LEVELS = 3000
_NEVER = 1e12  # log determinant that no fit is drawn to
_WIDEST = 16.0  # of log(1 + relative variance): an sd 3000 times the residual one; beyond, rounding takes over


@dataclass(frozen=True, slots=True)
class VarianceComponent:
    """One source of spread; sd in the readings' unit."""

    name: str
    levels: int
    variance: float
    sd: float
    low_sd: float  # profile interval at `level`; 0 where the data do not rule it out
    high_sd: float
    words: str  # '0.4 (0.2 to 0.9)', or '0 to 0.9' when the estimate is zero


@dataclass(frozen=True, slots=True)
class VarianceSplit:
    """The split of a set of readings; the last component is the residual."""

    status: str  # 'split', 'too few' (no interval can be given), 'confounded'
    components: tuple[VarianceComponent, ...]
    mean: float
    n: int
    level: float
    deviance: float  # -2 log restricted likelihood at the estimate
    sentence: str


def nested(*codes: Sequence[object]) -> list[str]:
    """Name the levels of a factor inside another: one name per combination, such as ('lot 1', 'wafer 2')."""
    return ["\x1f".join(str(part) for part in row) for row in zip(*codes, strict=True)]


def split_variance(
    values: ArrayLike, factors: Mapping[str, Sequence[object]], *, fixed: ArrayLike | None = None, level: float = 0.95
) -> VarianceSplit:
    """Split the spread of readings among factors.

    Parameters
    ----------
    values : array_like, (n,)
        Readings, any one unit.
    factors : mapping of str to sequence, (n,)
        Level of each factor at each reading. A nested factor has one level per combination, see `nested`.
    fixed : array_like, (n, p), optional
        Known differences to take out first (such as part number offsets), without the mean.
    level : float
        Coverage of the intervals, between 0.5 and 1.

    Raises
    ------
    ValueError
        If lengths differ, a reading is not finite, or there is no factor.

    Notes
    -----
    Assumes normal random amounts, independent between levels. Intervals are profiles of the restricted likelihood; with
    few levels (under 5) they are wide, as they must be, and lean on normality.

    References
    ----------
    Patterson and Thompson (1971), Biometrika 58; Pinheiro and Bates (2000), Mixed-Effects Models in S and S-PLUS,
    sections 1.1, 2.2 and 2.4 (REML and profiled likelihood).
    """
    y = np.asarray(values, dtype=np.float64)
    if y.ndim != 1 or not factors:
        raise ValueError("`values` must be one column of readings and `factors` name at least one factor")
    if not np.isfinite(y).all():
        raise ValueError(
            f"`values` must be finite, got {y[~np.isfinite(y)][0]} in reading {np.flatnonzero(~np.isfinite(y))[0] + 1}"
        )
    if not 0.5 <= level < 1:
        raise ValueError(f"`level` must be from 0.5 to below 1, got {level}")
    codes: dict[str, Codes] = {}
    for name, labels in factors.items():
        if len(labels) != y.size:
            raise ValueError(f"factor {name!r} must have one level per reading ({y.size}), got {len(labels)}")
        codes[name] = np.unique([str(label) for label in labels], return_inverse=True)[1].astype(np.int64)
    x = np.ones((y.size, 1))
    if fixed is not None:
        extra = np.asarray(fixed, dtype=np.float64)
        if extra.ndim != 2 or extra.shape[0] != y.size:
            raise ValueError(f"`fixed` must have one row per reading ({y.size}), got shape {extra.shape}")
        x = np.hstack([x, extra])
    levels = sum(int(c.max()) + 1 for c in codes.values())
    if levels > _MOST_LEVELS:
        raise ValueError(
            f"`factors` must have at most {_MOST_LEVELS} levels together, got {levels}; take fewer readings"
        )
    mean = float(y.mean()) if y.size else float("nan")
    few = _too_few(y, x, codes)
    if few:
        return VarianceSplit("too few", (), mean, y.size, level, float("nan"), few)
    together = confounded_factors({name: np.asarray(c) for name, c in codes.items()}, x)
    if together:
        return VarianceSplit("confounded", (), mean, y.size, level, float("nan"), together)
    return _fit(y, x, codes, level)


def _too_few(y: Array, x: Array, codes: Mapping[str, Codes]) -> str:
    if y.size < x.shape[1] + 2:
        return f"too few readings to split: {y.size}; at least {x.shape[1] + 2} are needed"
    for name, c in codes.items():
        if c.max() == 0:
            return f"cannot say how much comes from {name}: all readings have the same one; read on a second {name}"
    if not np.ptp(y) > 0:
        return "all readings are equal: the reading step is too coarse to see any spread, or they were copied"
    return ""


class _Restricted:
    """Restricted likelihood of the sds relative to the residual one; everything it needs is crossed once."""

    def __init__(self, y: Array, x: Array, codes: Mapping[str, Codes]) -> None:
        self.sizes = [int(c.max()) + 1 for c in codes.values()]
        z = np.zeros((y.size, sum(self.sizes)))
        start = 0
        for c, size in zip(codes.values(), self.sizes, strict=True):
            z[np.arange(y.size), start + c] = 1.0
            start += size
        x, upper = np.linalg.qr(x)
        self.log_fixed = float(2 * np.log(np.abs(np.diag(upper))).sum())
        self.zz, self.zx, self.zy = z.T @ z, z.T @ x, z.T @ y
        self.xx, self.xy, self.yy = x.T @ x, x.T @ y, float(y @ y)
        self.spare = y.size - x.shape[1]
        every = np.column_stack([z, x, y])
        self.bordered = every.T @ every

    def parts(self, relative: Array) -> tuple[float, float]:
        """Log determinants together, and the weighted sum of squares, at sds relative to the residual's."""
        scale = np.repeat(relative, self.sizes)
        if len(self.sizes) == 1:  # the levels of one factor never meet: the matrix is diagonal
            diagonal = np.sqrt(1 + scale**2 * np.diag(self.zz))
            ux, uy = (scale / diagonal)[:, None] * self.zx, scale / diagonal * self.zy
            try:
                inner = np.linalg.cholesky(self.xx - ux.T @ ux)
            except np.linalg.LinAlgError:  # a factor so wide that rounding drowns the fixed terms: never the best
                return _NEVER, 1.0
            b = np.linalg.solve(inner, self.xy - ux.T @ uy)
            square = self.yy - float(uy @ uy) - float(b @ b)
            pivots = np.append(diagonal, np.diag(inner))
        else:
            # One root of everything, the readings as the last row: its last pivot is the root of the sum of squares.
            wide = np.append(scale, np.ones(self.bordered.shape[0] - scale.size))
            whole = wide[:, None] * self.bordered * wide[None, :]
            whole[np.arange(scale.size), np.arange(scale.size)] += 1
            try:
                root = np.linalg.cholesky(whole)
            except np.linalg.LinAlgError:
                return _NEVER, 1.0
            pivots, square = np.diag(root)[:-1], float(root[-1, -1]) ** 2
        logs = self.log_fixed + 2 * float(np.log(pivots).sum())
        return logs, max(square, 1e-300)

    def deviance(self, relative: Array) -> float:
        """-2 log restricted likelihood, the residual sd at its best."""
        logs, square = self.parts(relative)
        return float(logs + self.spare * (1 + np.log(2 * np.pi * square / self.spare)))

    def deviance_at(self, relative: Array, residual_sd: float) -> float:
        """-2 log restricted likelihood at a stated residual sd."""
        logs, square = self.parts(relative)
        return float(logs + self.spare * np.log(2 * np.pi * residual_sd**2) + square / residual_sd**2)


def _fit(y: Array, x: Array, codes: Mapping[str, Codes], level: float) -> VarianceSplit:
    from scipy.stats import chi2

    shift = float(y.mean())
    law = _Restricted(y - shift, x, codes)
    relative, deviance = _best(law, y, codes)
    residual = float(np.sqrt(law.parts(relative)[1] / law.spare))
    allowed = deviance + float(chi2.ppf(level, 1))
    sds = np.append(relative * residual, residual)
    names = [*codes, RESIDUAL]
    counts = [*law.sizes, y.size]
    made = []
    for k, name in enumerate(names):
        low, high = _profile(law, k, sds, allowed)
        sd = float(sds[k])
        words = f"0 to {high:.3g}" if sd == 0 else f"{sd:.3g} ({low:.3g} to {high:.3g})"
        made.append(VarianceComponent(name, counts[k], sd**2, sd, low, high, words))
    return VarianceSplit("split", tuple(made), shift, y.size, level, deviance, _sentence(made))


def _best(law: _Restricted, y: Array, codes: Mapping[str, Codes]) -> tuple[Array, float]:
    """Sds relative to the residual one at the least deviance, and that deviance.

    The search runs over log(1 + relative variance): straight at zero, where a component may well end, and logarithmic
    where one component is many times another.
    """
    from scipy.optimize import minimize

    def at(u: Array) -> float:
        return law.deviance(np.sqrt(np.expm1(u)))

    starts = [np.full(len(codes), np.log1p(s**2)) for s in (1.0, 0.2)] + [_by_means(y, codes)]
    bounds = [(0.0, _WIDEST)] * len(codes)
    fits = [
        minimize(at, s, jac="3-point", method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-14, "gtol": 1e-7})
        for s in starts
    ]
    best = min(fits, key=lambda f: float(f.fun))
    relative = np.sqrt(np.expm1(np.asarray(best.x, dtype=np.float64)))
    relative = np.where(relative < _ZERO, 0.0, relative)
    return relative, law.deviance(relative)


def _by_means(y: Array, codes: Mapping[str, Codes]) -> Array:
    """Start from the means of the levels: how far they lie apart beside the spread within the finest cells."""
    cells = np.unique(np.column_stack(list(codes.values())), axis=0, return_inverse=True)[1].reshape(-1)
    within = y - (np.bincount(cells, weights=y) / np.bincount(cells))[cells]
    spare = max(y.size - int(cells.max()) - 1, 1)
    scale = float(within @ within) / spare or 1e-6 * float(np.var(y))
    means = [np.bincount(c, weights=y) / np.bincount(c) for c in codes.values()]
    return np.minimum(np.log1p(np.array([np.var(m) for m in means]) / scale), _WIDEST - 1.0)


def _profile(law: _Restricted, k: int, sds: Array, allowed: float) -> tuple[float, float]:
    """Values of one sd at which the best deviance over all others meets the allowed one."""
    from scipy.optimize import brentq

    free = [i for i in range(sds.size) if i != k]
    last = [np.where(sds[free] > 0, sds[free], 1e-3 * sds[-1])]

    def excess(value: float) -> float:
        dev, last[0] = _others_best(law, k, value, free, last[0])
        return dev - allowed

    at = float(sds[k])
    step = max(at, 0.1 * float(sds[-1]))
    top = at + step
    while excess(top) < 0:
        top = at + (top - at) * 2
        if top > 1e6 * step:
            return 0.0, float("inf")
    high = float(brentq(excess, at, top, rtol=1e-4))
    last[0] = np.where(sds[free] > 0, sds[free], 1e-3 * sds[-1])
    least = 1e-4 * float(sds[-1]) if k == sds.size - 1 else 0.0
    if at <= least or excess(least) < 0:
        return 0.0, high
    return float(brentq(excess, least, at, rtol=1e-4)), high


def _others_best(law: _Restricted, k: int, value: float, free: list[int], start: Array) -> tuple[float, Array]:
    from scipy.optimize import minimize

    last = len(law.sizes)
    residual_free = k != last
    scale = float(start[-1]) if residual_free else value

    def sds_of(u: Array) -> Array:
        if not residual_free:
            return np.asarray(scale * np.sqrt(np.expm1(u)))
        return scale * np.append(np.sqrt(np.expm1(u[:-1])), np.exp(u[-1]))

    def at(u: Array) -> float:
        sds = np.empty(last + 1)
        sds[free], sds[k] = sds_of(u), value
        return law.deviance_at(sds[:-1] / sds[-1], float(sds[-1]))

    bounds = [(0.0, _WIDEST)] * len(free)
    u = np.minimum(np.log1p((start / scale) ** 2), _WIDEST)
    if residual_free:
        least = float(np.log(np.exp(-_WIDEST / 2) * max(float(np.max(start)), value) / scale))
        u[-1], bounds[-1] = max(0.0, least), (least, max(least, 0.0) + _WIDEST / 2)
    found = minimize(at, u, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-11, "eps": 1e-6})
    return float(found.fun), sds_of(np.asarray(found.x, dtype=np.float64))


def _sentence(made: Sequence[VarianceComponent]) -> str:
    total = sum(c.variance for c in made)
    ordered = sorted(made, key=lambda c: -c.variance)
    shares = ", ".join(f"{c.name} {c.variance / total:.0%}" for c in ordered)
    return f"share of the spread (squared): {shares}"

"""Bounds for what a fitted law says: a quantile, the share beyond a limit, a one-sided index.

Likelihood-ratio bounds come from the profile likelihood. From few, skewed, stepped readings a one-sided bound of
that kind covers too little; the calibrated bound asks, for each candidate value, how the signed root of the ratio
behaves in samples drawn from the law that agrees with that value and is otherwise most likely.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.model.families import Array, Family
from spc.model.interval_fit import IntervalFit
from spc.model.likelihood import Cells, fit_cells, log_likelihood_cells, log_likelihood_readings
from spc.model.maximise import maximise_rows
from spc.model.simulate import draw_counts, reading_rule

__all__ = ["Bound", "Target", "bound", "index_target", "quantile_target", "tail_share_target"]

INDEX_TAIL = 0.00135  # ISO 22514 quantile method: x at 99.865 %

LEAST_DROP = 0.6  # calibration may not shorten the root below this share: where samples are all alike it says nothing

LogLikelihood = Callable[[Array, Array, NDArray[np.intp]], Array]


@dataclass(frozen=True, slots=True)
class Target:
    """A quantity of the law, written so that value and shape together give the scale."""

    name: str
    steps: Array  # distances to look at on the working scale, ascending
    relative: bool  # steps are in units of the estimate where that is over 1
    of: Callable[[Family, Array, Array], Array]  # (law, log scale um, shape) -> working value
    log_scale: Callable[[Family, Array, Array], Array]  # (law, working value, shape) -> log scale um
    shown: Callable[[float], float]  # working value -> the quantity


@dataclass(frozen=True, slots=True)
class Bound:
    """An estimate with its bound or bounds; a side not asked for is the end of the quantity's range."""

    quantity: str
    estimate: float
    low: float
    high: float
    side: str  # 'upper', 'lower' (one-sided at `level`) or 'both'
    level: float
    method: str  # 'calibrated' or 'likelihood ratio'
    repetitions: int  # simulated samples per round; 0 for the plain likelihood ratio
    family: str
    n: int
    remark: str  # in words; '' if nothing to add


def quantile_target(tail: float) -> Target:
    """Flatness exceeded by a share `tail` of faces, micrometres (worked on its logarithm)."""
    if not 0 < tail < 1:
        raise ValueError(f"`tail` must lie between 0 and 1, got {tail}")
    p = np.asarray(tail)
    return Target(
        name=f"flatness exceeded by a share {tail:g}",
        steps=np.geomspace(1e-3, 8, 8),
        relative=False,
        of=lambda law, log_scale, shape: log_scale + np.log(law.isf(p, shape)),
        log_scale=lambda law, value, shape: value - np.log(law.isf(p, shape)),
        shown=lambda value: float(np.exp(value)),
    )


def tail_share_target(limit_um: float) -> Target:
    """Share of faces beyond `limit_um`, 0 to 1 (worked on its log odds)."""
    _positive(limit_um)
    log_limit = np.log(limit_um)

    def of(law: Family, log_scale: Array, shape: Array) -> Array:
        z = np.exp(log_limit - log_scale)
        sf, cdf = np.maximum(law.sf(z, shape), 1e-300), np.maximum(law.cdf(z, shape), 1e-300)
        return np.asarray(np.log(sf / cdf))

    def log_scale(law: Family, value: Array, shape: Array) -> Array:
        small = 1 / (1 + np.exp(np.abs(value)))
        value, shape, small = np.broadcast_arrays(value, shape, small)
        z = np.where(value <= 0, law.isf(small, shape), law.ppf(small, shape))
        return np.asarray(log_limit - np.log(z))

    return Target(
        name=f"share beyond {limit_um:g} um",
        steps=np.geomspace(1e-2, 100, 8),
        relative=True,
        of=of,
        log_scale=log_scale,
        shown=lambda value: float(1 / (1 + np.exp(-value))) if value > -30 else float(np.exp(value)),
    )


def index_target(limit_um: float) -> Target:
    """One-sided index (limit - x50) / (x99.865 - x50)."""
    _positive(limit_um)
    log_limit = np.log(limit_um)
    half, tail = np.asarray(0.5), np.asarray(INDEX_TAIL)

    def of(law: Family, log_scale: Array, shape: Array) -> Array:
        mid, top = law.isf(half, shape), law.isf(tail, shape)
        return np.asarray((np.exp(log_limit - log_scale) - mid) / (top - mid))

    def log_scale(law: Family, value: Array, shape: Array) -> Array:
        mid, top = law.isf(half, shape), law.isf(tail, shape)
        return np.asarray(log_limit - np.log(np.maximum(mid + value * (top - mid), 1e-12 * mid)))

    return Target(
        name=f"index against {limit_um:g} um",
        steps=np.geomspace(1e-3, 100, 9),
        relative=True,
        of=of,
        log_scale=log_scale,
        shown=float,
    )


def bound(
    fit: IntervalFit,
    target: Target,
    *,
    side: str = "upper",
    level: float = 0.95,
    method: str = "calibrated",
    repetitions: int = 400,
    rng: np.random.Generator | None = None,
) -> Bound:
    """Bound a quantity of a fitted law.

    Parameters
    ----------
    fit : IntervalFit
        Status 'fitted' or 'edge'.
    target : Target
        From `quantile_target`, `tail_share_target` or `index_target`.
    side : str, default 'upper'
        'upper', 'lower', or 'both' (each end then at (1 + level) / 2).
    level : float, default 0.95
        Confidence, between 0.5 and 1.
    method : str, default 'calibrated'
        'calibrated' (parametric bootstrap of the signed root at the candidate value, two rounds) or
        'likelihood ratio'.
    repetitions : int, default 400
        Samples per round, at least 100.
    rng : numpy.random.Generator, optional
        Default: a fixed seed, so that a report repeats to the digit.

    Returns
    -------
    Bound
        An end is the limit of its range where the readings do not bound it; `remark` says so.

    Notes
    -----
    The bound is for the law as chosen; what another law near it would say is not in it.

    References
    ----------
    DiCiccio, Martin and Stern (2001), Simple and accurate one-sided inference from signed roots of likelihood
    ratios, Canad. J. Statist. 29; Lee and Young (2005), Statist. Probab. Lett. 71 (constrained bootstrap).
    """
    if side not in ("upper", "lower", "both"):
        raise ValueError(f"`side` must be 'upper', 'lower' or 'both', got {side!r}")
    if method not in ("calibrated", "likelihood ratio"):
        raise ValueError(f"`method` must be 'calibrated' or 'likelihood ratio', got {method!r}")
    if not 0.5 < level < 1:
        raise ValueError(f"`level` must lie between 0.5 and 1, got {level}; 0.95 is usual")
    if repetitions < 100:
        raise ValueError(f"`repetitions` must be at least 100, got {repetitions}; 400 is usual")
    if fit.status == "refused":
        raise ValueError(f"no law was fitted: {fit.reason}")
    one_sided = (1 + level) / 2 if side == "both" else level
    search = _Search(fit, target)
    rng = np.random.default_rng(1) if rng is None else rng
    ends = {}
    for sign in (1, -1):
        if side in (("upper", "both") if sign > 0 else ("lower", "both")):
            ends[sign] = search.end(sign, one_sided, repetitions if method == "calibrated" else 0, rng)
    open_ends = [word for sign, word in ((1, "above"), (-1, "below")) if sign in ends and not np.isfinite(ends[sign])]
    remark = f"the readings do not bound it from {' or '.join(open_ends)}" if open_ends else fit.reason
    return Bound(
        quantity=target.name,
        estimate=target.shown(search.value),
        low=target.shown(ends.get(-1, -np.inf)),
        high=target.shown(ends.get(1, np.inf)),
        side=side,
        level=level,
        method=method,
        repetitions=repetitions if method == "calibrated" else 0,
        family=fit.family,
        n=fit.n,
        remark=remark,
    )


class _Search:
    """The profile likelihood of one target, on the readings and on samples drawn from a candidate law."""

    def __init__(self, fit: IntervalFit, target: Target) -> None:
        self.fit, self.law, self.target = fit, fit.law, target
        self.log_unit = float(np.log(fit.readings.scale_um))
        self.cut = fit.cut_um / fit.readings.scale_um
        shape, log_scale = np.asarray(fit.shape), np.asarray(fit.log_scale)
        with np.errstate(all="ignore"):
            self.value = float(target.of(self.law, log_scale + self.log_unit, shape))
        self.peak = float(log_likelihood_readings(self.law, log_scale, shape, fit.readings, cut=self.cut))

    def end(self, sign: int, level: float, repetitions: int, rng: np.random.Generator) -> float:
        """Bound above (sign 1) or below (-1) on the working scale; infinite if the readings give none."""
        from scipy import special

        plain = float(special.ndtri(level))
        at = self._crossing(sign, plain)
        for _ in range(2 if repetitions else 0):
            if not np.isfinite(at):
                break
            drop = self._calibrated_drop(sign, at, level, repetitions, rng)
            at = self._crossing(sign, max(drop, LEAST_DROP * plain))
        return at

    def _crossing(self, sign: int, drop: float) -> float:
        """Where the signed root has fallen by `drop`, outward from the estimate."""
        unit = max(1.0, abs(self.value)) if self.target.relative else 1.0
        near, near_root, near_shape = self.value, 0.0, self.fit.shape
        for value in self.value + sign * unit * self.target.steps:  # each start is the neighbour's answer
            roots, shapes = self._root_on_readings(np.array([value]), near_shape)
            far, far_root = float(value), float(roots[0])
            if far_root >= drop:
                break
            near, near_root, near_shape = far, far_root, float(shapes[0])
        else:
            return sign * np.inf
        for _ in range(2):
            grid = np.linspace(near, far, 9)[1:]
            roots, shapes = self._root_on_readings(grid, near_shape)
            past = np.flatnonzero(roots >= drop)
            i = int(past[0]) if past.size else grid.size - 1
            if i:
                near, near_root, near_shape = float(grid[i - 1]), float(roots[i - 1]), float(shapes[i - 1])
            far, far_root = float(grid[i]), float(roots[i])
        share = (drop - near_root) / max(far_root - near_root, 1e-300)
        return near + min(max(share, 0.0), 1.0) * (far - near)

    def _root_on_readings(self, values: Array, shape: float) -> tuple[Array, Array]:
        """Unsigned root of the likelihood ratio at each value, and the shape there; the search starts at `shape`."""

        def log_likelihood(log_scale: Array, shape: Array, _: NDArray[np.intp]) -> Array:
            return log_likelihood_readings(self.law, log_scale, shape, self.fit.readings, cut=self.cut)

        shapes, best = self._constrained(values, np.full(values.size, shape), log_likelihood)
        return np.sqrt(2 * np.maximum(self.peak - best, 0.0)), shapes

    def _shape_at(self, value: float) -> float:
        """Most likely shape at a value, reached in four strides so that the search does not lose its hill."""
        shape = self.fit.shape
        for stop in np.linspace(self.value, value, 5)[1:]:
            shape = float(self._root_on_readings(np.array([stop]), shape)[1][0])
        return shape

    def _calibrated_drop(self, sign: int, at: float, level: float, repetitions: int, rng: np.random.Generator) -> float:
        """Quantile of the signed root in samples from the most likely law that has the value `at`."""
        shape = self._shape_at(at)
        with np.errstate(all="ignore"):
            log_scale = float(self.target.log_scale(self.law, np.asarray(at), np.asarray(shape))) - self.log_unit
        rule = reading_rule(self.fit.readings, self.law, log_scale, shape)
        low, high, count = draw_counts(rule, self.law, log_scale, shape, repetitions=repetitions, rng=rng, cut=self.cut)
        cells = Cells(low, high, count)
        s_hat, t_hat, peak = fit_cells(self.law, cells, start=(log_scale, shape), reach=8.0, cut=self.cut)

        def log_likelihood(log_scale: Array, shape: Array, rows: NDArray[np.intp]) -> Array:
            return log_likelihood_cells(self.law, log_scale, shape, cells, rows=rows, cut=self.cut)

        values = np.full(repetitions, at)
        start = np.where(np.isfinite(t_hat), 0.5 * (shape + t_hat), shape)
        _, best = self._constrained(values, start, log_likelihood)
        with np.errstate(all="ignore"):
            estimate = self.target.of(self.law, s_hat + self.log_unit, t_hat)
        root = np.sign(at - estimate) * sign * np.sqrt(2 * np.maximum(peak - best, 0.0))
        return float(np.quantile(root, level, method="higher"))

    def _constrained(self, values: Array, start: Array, log_likelihood: LogLikelihood) -> tuple[Array, Array]:
        """Best shape and log-likelihood with the target held at `values`, row by row."""
        law, target, unit = self.law, self.target, self.log_unit

        def objective(theta: Array, rows: NDArray[np.intp]) -> Array:
            shape = theta[..., 0]
            with np.errstate(all="ignore"):
                log_scale = np.clip(np.nan_to_num(target.log_scale(law, values[rows], shape)) - unit, -700.0, 700.0)
            return log_likelihood(log_scale, shape, rows)

        if law.free == 1:
            shape = np.zeros(values.size)
            return shape, objective(shape[None, :, None], np.arange(values.size))[0]
        if law.name == "folded normal":
            start = np.maximum(np.abs(start), 0.2)  # 0 is a saddle of a law even in its shape
        best, value = maximise_rows(
            objective,
            start[:, None],
            low=np.array([law.shape_low]),
            high=np.array([law.shape_high]),
            step=np.array([1e-4]),
            settled=1e-7,
        )
        return best[:, 0], value


def _positive(limit_um: float) -> None:
    if not (np.isfinite(limit_um) and limit_um > 0):
        raise ValueError(f"`limit_um` must be a finite number greater than 0, got {limit_um}")

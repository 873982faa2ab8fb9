"""The interval likelihood: the probability of what was read, for many parameter rows at once."""

import numpy as np
from numpy.typing import NDArray

from spc.model.families import Array, Family, log_cell_probability
from spc.model.grouping import Readings
from spc.model.maximise import maximise_rows

__all__ = ["Cells", "difference_step", "fit_cells", "log_likelihood_cells", "log_likelihood_readings"]


class Cells:
    """A fixed row of cells and, per repetition, how many readings fell in each."""

    __slots__ = ("count", "edges", "high_at", "low_at")

    def __init__(self, low: Array, high: Array, count: Array) -> None:
        """Cells at unit scale (cells,), count (repetitions, cells)."""
        edges, at = np.unique(np.concatenate([low, high]), return_inverse=True)
        self.edges: Array = edges
        self.low_at: NDArray[np.intp] = at[: low.size]
        self.high_at: NDArray[np.intp] = at[low.size :]
        self.count = count


def log_likelihood_cells(
    family: Family,
    log_scale: Array,
    shape: Array,
    cells: Cells,
    *,
    rows: NDArray[np.intp] | None = None,
    cut: float = np.inf,
) -> Array:
    """Log-likelihood of counts in cells; `log_scale`, `shape` (..., b) and counts (b, cells) give (..., b)."""
    with np.errstate(all="ignore"):
        scale = np.exp(log_scale)[..., None]
        curve = shape[..., None]
        log_p = log_cell_probability(family, cells.edges / scale, cells.low_at, cells.high_at, curve)
        count = cells.count if rows is None else cells.count[rows]
        total: Array = np.einsum("...k,...k->...", log_p, np.broadcast_to(count, log_p.shape))
        if np.isfinite(cut):
            total = total - count.sum(axis=-1) * np.log(np.maximum(family.cdf(cut / scale, curve)[..., 0], 1e-300))
    return total


def log_likelihood_readings(
    family: Family, log_scale: Array, shape: Array, readings: Readings, *, cut: float = np.inf
) -> Array:
    """Log-likelihood of grouped readings (in their own scaled units); parameters (...) give (...)."""
    total: Array = np.zeros(np.shape(log_scale))
    with np.errstate(all="ignore"):
        scale = np.exp(log_scale)[..., None]
        curve = shape[..., None]
        if readings.count.size:
            edges = readings.edges / scale
            total = log_cell_probability(family, edges, readings.low_at, readings.high_at, curve) @ readings.count
        if readings.exact.size:
            log_f = np.maximum(family.log_density(readings.exact / scale, curve), -1e12)
            total = total + log_f @ readings.exact_count - readings.exact_count.sum() * log_scale
        if np.isfinite(cut):
            total = total - readings.n * np.log(np.maximum(family.cdf(cut / scale, curve)[..., 0], 1e-300))
    return total


def difference_step(family: Family, shape: float) -> Array:
    """Give steps of (log scale, shape) for slopes: a thousandth of the law's relative spread, at most of 0.1."""
    with np.errstate(all="ignore"):
        ends = family.ppf(np.array([0.16, 0.84]), np.full(2, shape))
        spread = 0.5 * float(np.log(ends[1] / ends[0]))
    if not np.isfinite(spread):
        spread = 0.1
    return np.array([1e-3 * min(0.1, max(spread, 1e-7)), 1e-4])[: family.free]


def fit_cells(
    family: Family, cells: Cells, *, start: tuple[float, float], reach: float, cut: float = np.inf
) -> tuple[Array, Array, Array]:
    """Fit every repetition of `cells`; gives (log_scale, shape, log_likelihood), each (repetitions,).

    `start` is where all searches begin; `reach` bounds the log scale to start +- reach.
    """
    rows = cells.count.shape[0]

    def objective(theta: Array, at: NDArray[np.intp]) -> Array:
        shape = theta[..., 1] if family.free == 2 else np.zeros(theta.shape[:-1])
        return log_likelihood_cells(family, theta[..., 0], shape, cells, rows=at, cut=cut)

    if family.name == "folded normal":
        start = (start[0], max(abs(start[1]), 0.2))  # 0 is a saddle of a law even in its shape
    first = np.tile(np.array(start)[: family.free], (rows, 1))
    low = np.array([start[0] - reach, family.shape_low])[: family.free]
    high = np.array([start[0] + reach, family.shape_high])[: family.free]
    step = difference_step(family, start[1])
    best, value = maximise_rows(objective, first, low=low, high=high, step=step, settled=1e-6)
    return best[:, 0], best[:, 1] if family.free == 2 else np.zeros(rows), value

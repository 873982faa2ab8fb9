"""The sloping centre line: whether a lap wears as usual; `spc.chart.unusual_wear` names what does not.

Each face is set against the line through the faces of its cycle before it, drawn towards what past cycles did. The
limits widen with how little is known of the line: s sqrt(1 + 1/n + (t - mean t)^2 / Sxx), the term often left out.
The scores are independent standard normal while the lap wears as usual, so the limit and the drifting average of
`spc.chart.pair_chart` hold their rates on them; a flat chart on a wearing lap does not.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.usual_bend import UsualBend, usual_bend

__all__ = [
    "FEWEST_CYCLES",
    "UsualWear",
    "WearChart",
    "WearLine",
    "fit_wear_line",
    "usual_wear",
    "wear_chart",
    "without_line",
]

Array = NDArray[np.float64]

FEWEST_CYCLES = 3  # past cycles from which what is usual can be said [our rule]


@dataclass(frozen=True, slots=True)
class WearLine:
    """A straight line through the faces of one cycle, with all that its limits need."""

    start: float  # at age 0, the reading's unit
    slope: float  # per unit of age
    spread: float  # standard deviation about the line; NaN from two faces
    n: int
    mean_age: float
    age_ss: float  # sum of squared distances of the ages from their mean

    def widening(self, age: ArrayLike) -> Array:
        """How much wider than the spread the law of one more reading at `age` is: sqrt(1 + 1/n + ...)."""
        t = np.asarray(age, dtype=np.float64)
        return np.asarray(np.sqrt(1.0 + 1.0 / self.n + (t - self.mean_age) ** 2 / self.age_ss), dtype=np.float64)

    def centre(self, age: ArrayLike) -> Array:
        """Say which reading is expected at `age`."""
        return np.asarray(self.start + self.slope * np.asarray(age, dtype=np.float64), dtype=np.float64)

    def limits(self, age: ArrayLike, *, alpha: float) -> tuple[Array, Array]:
        """Two-sided prediction limits for one more reading at `age`, exact for normal readings."""
        from scipy.special import stdtrit

        if self.n < 3:
            raise ValueError(f"limits need at least 3 faces of the line, got {self.n}")
        k = float(stdtrit(self.n - 2, 1.0 - alpha / 2.0))
        half = k * self.spread * self.widening(age)
        return self.centre(age) - half, self.centre(age) + half


@dataclass(frozen=True, slots=True)
class UsualWear:
    """What past cycles of a lap, or its sisters, did; spreads between cycles have the noise of the fits taken out."""

    start: float
    start_sd: float  # between cycles, the uncertainty of the mean included; inf = not known
    slope: float
    slope_sd: float
    spread: float  # of a reading about its line
    freedom: float  # degrees of freedom of `spread`
    cycles: int
    bend: UsualBend | None = None  # None = straight

    def centre(self, age: Array) -> Array:
        """Say which reading is expected of a usual cycle at each age."""
        bent = self.bend.at(age) if self.bend is not None else 0.0
        return np.asarray(self.start + self.slope * age + bent, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class WearChart:
    """One cycle on its sloping centre line; arrays have one entry per face."""

    status: str  # 'ok' or 'refused'
    age: Array
    value: Array
    centre: Array  # foretold from the faces before; NaN until a line can be drawn
    lower: Array
    upper: Array
    z: Array  # standard normal while the lap wears as usual; NaN until a line can be drawn
    spread: float
    usual: UsualWear | None
    alpha: float
    sentence: str
    bend: UsualBend | None = None  # of past cycles that are too few to say more of what is usual; None = not known


def fit_wear_line(age: ArrayLike, value: ArrayLike) -> WearLine:
    """Fit a straight line of wear by least squares.

    Parameters
    ----------
    age : array_like, shape (n,)
        Age in the cycle, faces or minutes.
    value : array_like, shape (n,)
        Readings (or their logs); finite.

    Returns
    -------
    WearLine

    Raises
    ------
    ValueError
        With fewer than 2 faces, equal ages, values that are missing, or unequal lengths.

    References
    ----------
    Mandel (1969), Journal of Quality Technology 1(1), 1-9 (the regression control chart).
    """
    t, y = _checked(age, value)
    if t.size < 2 or np.ptp(t) == 0:
        raise ValueError(f"a line of wear needs at least 2 faces of different age, got {t.size}")
    mean_age = float(t.mean())
    age_ss = float(np.sum((t - mean_age) ** 2))
    slope = float(np.sum((t - mean_age) * y) / age_ss)
    start = float(y.mean()) - slope * mean_age
    residual = y - start - slope * t
    spread = math.sqrt(float(residual @ residual) / (t.size - 2)) if t.size > 2 else math.nan
    return WearLine(start, slope, spread, t.size, mean_age, age_ss)


def usual_wear(age: ArrayLike, value: ArrayLike, cycle: ArrayLike) -> UsualWear | None:
    """Say what past cycles usually did.

    Parameters
    ----------
    age, value, cycle : array_like, shape (n,)
        Faces of past cycles; `cycle` labels them.

    Returns
    -------
    UsualWear or None
        None with fewer than 3 cycles of at least 3 faces.

    Notes
    -----
    A line per cycle, all of them bent alike (`usual_bend`); the spread about them is pooled. Between-cycle variances
    are those of the fitted starts and slopes less what the noise of the fits adds, not below 0; the uncertainty of
    their means is added. Starts and slopes are taken as independent between cycles.
    """
    t, y = _checked(age, value)
    label = np.asarray(cycle)
    if label.shape != t.shape:
        raise ValueError(f"`cycle` must hold one label per face, got shape {label.shape}")
    bend = usual_bend(t, y, label)
    y = y - bend.at(t) if bend is not None else y
    fits = []
    for name in np.unique(label):
        own = label == name
        if np.count_nonzero(own) >= 3 and np.ptp(t[own]) > 0:
            fits.append(fit_wear_line(t[own], y[own]))
    m = len(fits)
    if m < FEWEST_CYCLES:
        return None
    freedom = float(sum(f.n - 2 for f in fits)) - (3 if bend is not None else 0)
    spread = math.sqrt(sum((f.n - 2) * f.spread**2 for f in fits) / freedom)
    starts, slopes = np.array([f.start for f in fits]), np.array([f.slope for f in fits])
    noise_start = np.mean([spread**2 * (1 / f.n + f.mean_age**2 / f.age_ss) for f in fits])
    noise_slope = np.mean([spread**2 / f.age_ss for f in fits])
    start_sd, slope_sd = (
        math.sqrt(max(0.0, float(x.var(ddof=1) - noise)) + float(x.var(ddof=1)) / m)
        for x, noise in ((starts, noise_start), (slopes, noise_slope))
    )
    return UsualWear(float(starts.mean()), start_sd, float(slopes.mean()), slope_sd, spread, freedom, m, bend)


def wear_chart(
    age: ArrayLike,
    value: ArrayLike,
    *,
    usual: UsualWear | None = None,
    bend: UsualBend | None = None,
    alpha: float = 0.0027,
) -> WearChart:
    """Chart one cycle on its sloping centre line, each face against the faces before it.

    Parameters
    ----------
    age : array_like, shape (n,)
        Not decreasing; age in the cycle.
    value : array_like, shape (n,)
        Readings (or their logs, or signed bow); finite.
    usual : UsualWear, optional
        What past cycles did; draws the early line and gives the spread. Without it the line and its spread come from
        this cycle alone and nothing is said of its first three faces.
    bend : UsualBend, optional
        How past cycles bend that are too few for `usual`; the chart keeps it for what is searched on it.
    alpha : float, default 0.0027
        Two-sided rate of the limits, per face.

    Returns
    -------
    WearChart
        'refused' while no line can be drawn or all readings are equal.

    Raises
    ------
    ValueError
        If lengths differ, a value is not finite, ages decrease, or `alpha` is not between 0 and 1.

    Notes
    -----
    Recursive residuals of the line (with `usual`, of the line with a normal prior on start, slope and bend). Without
    `usual` they are Student-t, exactly, with two degrees of freedom fewer than there are faces before; with it, with
    the freedom of the pooled spread, the between-cycle spreads taken as known. t scores are turned into normal ones
    with the same tail.

    References
    ----------
    Brown, Durbin and Evans (1975), J. R. Statist. Soc. B 37(2), 149-192; Mandel (1969).
    """
    t, y = _checked(age, value)
    if np.any(np.diff(t) < 0):
        raise ValueError("`age` must not decrease within a cycle; sort the faces first")
    if not 0 < alpha < 1:
        raise ValueError(f"`alpha` must be between 0 and 1, got {alpha}; 0.0027 is usual")
    n = t.size
    nan = np.full(n, np.nan)
    bend = usual.bend if usual is not None else bend
    why = ""
    if n == 0:
        why = "No face of this cycle has been read yet."
    elif usual is None and n < 4:
        faces = "1 face is" if n == 1 else f"{n:,} faces are"
        why = f"{faces} too few for a line of their own (4 needed); past cycles would help."
    elif np.ptp(y) == 0 and (usual is None or usual.spread < 1e-9):
        why = f"All {n:,} readings are equal: no wear can be seen, and none ruled out below the step."
    if why:
        return WearChart("refused", t, y, nan, nan, nan, nan, math.nan, usual, alpha, why, bend)
    centre, half, z = _alone(t, y, alpha) if usual is None else _drawn(t, y, usual, alpha)
    spread = usual.spread if usual is not None else fit_wear_line(t, y).spread if np.ptp(t) > 0 else math.nan
    beyond = int(np.count_nonzero(np.abs(y - centre) > half))
    judged = int(np.count_nonzero(~np.isnan(z)))
    sentence = (
        f"{beyond:,} of {judged:,} faces {'lies' if beyond == 1 else 'lie'} beyond the limits of a lap that wears as "
        f"usual (by chance {alpha:.2%} of them would)."
    )
    return WearChart("ok", t, y, centre, centre - half, centre + half, z, spread, usual, alpha, sentence, bend)


def without_line(chart: WearChart, why: str) -> WearChart:
    """Leave of a chart its readings alone, where no line can be drawn through them for the reason given."""
    nan = np.full(chart.age.size, np.nan)
    return replace(
        chart, status="refused", centre=nan, lower=nan, upper=nan, z=nan, spread=math.nan, usual=None, sentence=why,
        bend=None,
    )  # fmt: skip


def _alone(t: Array, y: Array, alpha: float) -> tuple[Array, Array, Array]:
    from scipy.special import stdtrit

    n = t.size
    centre, half, z = (np.full(n, np.nan) for _ in range(3))
    scale = max(float(np.ptp(y)), 1e-300)
    for i in range(3, n):
        if np.ptp(t[:i]) == 0:
            continue
        line = fit_wear_line(t[:i], y[:i])
        spread = max(line.spread, 1e-9 * scale)  # three faces on one line exactly: the smallest step of all
        width = spread * float(line.widening(t[i]))
        centre[i] = float(line.centre(t[i]))
        half[i] = float(stdtrit(i - 2, 1.0 - alpha / 2.0)) * width
        score = (y[i] - centre[i]) / width
        z[i] = _normal(score, i - 2)
    return centre, half, z


def _drawn(t: Array, y: Array, usual: UsualWear, alpha: float) -> tuple[Array, Array, Array]:
    """Face by face through the normal law of start, slope and bend (a Kalman filter with nothing moving)."""
    from scipy.special import stdtrit

    n = t.size
    centre, half, z = (np.full(n, np.nan) for _ in range(3))
    noise = max(usual.spread**2, 1e-300)
    wide = 1e6 * (noise + usual.start**2 + float(np.max(np.abs(y))) ** 2)  # a start that is not known
    mean = np.array([usual.start, usual.slope])
    cov = np.diag([usual.start_sd**2 if math.isfinite(usual.start_sd) else wide, usual.slope_sd**2])
    rows = np.column_stack([np.ones(n), t])
    if usual.bend is not None:
        mean = np.concatenate([mean, usual.bend.weights])
        none = np.zeros((2, usual.bend.weights.size))
        cov = np.block([[cov, none], [none.T, noise * usual.bend.cov]])
        rows = np.column_stack([rows, usual.bend.directions(t)])
    k = float(stdtrit(usual.freedom, 1.0 - alpha / 2.0))
    for i in range(n):
        row = rows[i]
        ahead = cov @ row
        variance = float(row @ ahead) + noise
        centre[i] = float(row @ mean)
        error = float(y[i]) - centre[i]
        half[i] = k * math.sqrt(variance)
        score = error / math.sqrt(variance)
        z[i] = _normal(score, usual.freedom)
        gain = ahead / variance
        mean = mean + gain * error
        cov = cov - np.outer(gain, ahead)
    return centre, half, z


def _normal(score: float, freedom: float) -> float:
    """Turn a Student-t score into the normal score of the same tail."""
    from scipy.special import ndtri, stdtr

    tail = max(float(stdtr(freedom, -abs(score))), 1e-300)
    return math.copysign(-float(ndtri(tail)), score)


def _checked(age: ArrayLike, value: ArrayLike) -> tuple[Array, Array]:
    t, y = np.asarray(age, dtype=np.float64), np.asarray(value, dtype=np.float64)
    if t.ndim != 1 or t.shape != y.shape:
        raise ValueError(f"`age` and `value` must be one-dimensional and of one length, got {t.shape} and {y.shape}")
    if not (np.all(np.isfinite(t)) and np.all(np.isfinite(y))):
        raise ValueError("`age` and `value` must be finite numbers; leave out readings that are missing")
    return t, y

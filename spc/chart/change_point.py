"""Where did it start? One change of level, slope or spread, with the set of faces it may have begun at.

A change is claimed only where noise alone would seldom look as good (the false-detection rate is an argument, met by
simulation). The place is a set of readings, not a point: all starts whose likelihood lies within a stated distance of
the best.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.change_scan import KINDS, change_null, change_scan

__all__ = ["MOST", "Change", "ChangeSearch", "change_point", "least_p_value", "location_drop"]

Array = NDArray[np.float64]

MOST = 5_000  # readings in one search
FEWEST = 8
NEAR = 4.0  # likelihood ratio within which another kind explains the readings about as well [our choice]


@dataclass(frozen=True, slots=True)
class Change:
    """One change and where it may have started; places count readings from 0, in time order."""

    kind: str  # 'mean', 'slope', 'spread' or 'curvature'
    start: int  # most likely first reading after the change; 0 for curvature, which has no place
    set_start: NDArray[np.int64]  # every reading at which it may have started
    level: float  # stated coverage of the set
    before: float  # mean, slope per reading step, or standard deviation before
    after: float
    size_sd: float  # mean: shift in sd; slope: rise over the rest of the series in sd; spread: ratio of sd
    ratio: float  # twice the log-likelihood ratio against no such change


@dataclass(frozen=True, slots=True)
class ChangeSearch:
    """Result of a search; `changes` is empty unless `status` is 'change'."""

    status: str  # 'change', 'none' or 'refused'
    changes: tuple[Change, ...]  # in order of start
    p_value: float  # chance that noise looks as good; NaN if refused
    false_detection: float  # rate at which noise alone is called a change
    n: int
    kinds: tuple[str, ...]
    sentence: str
    near: tuple[str, ...] = ()  # other kinds that explain the readings about as well (within NEAR)

    @property
    def unplaced(self) -> str:
        """The sentence without the places among the readings, for whoever tells them in faces of the cycle."""
        if self.status != "change":
            return self.sentence
        placed, bare = (_sentence(self.changes, self.n, self.p_value, placed=said) for said in (True, False))
        return self.sentence.replace(placed, bare, 1)

    def held_against(self, p_value: float, by: str) -> str:
        """Give the sentence with the chance that something else than noise looks as good, for whoever weighed it."""
        said = _sentence(self.changes, self.n, self.p_value)
        return self.sentence.replace(said, _sentence(self.changes, self.n, p_value, by=by), 1)


def location_drop(kind: str, level: float) -> float:
    """How far the likelihood ratio may fall from its best for a start to stay in the set.

    Notes
    -----
    A jump (mean, spread): -2 log(1 - sqrt(level)), the law of the drop for a small shift; for a large one the set
    covers more than stated. A hinge has a smooth place: chi-square on two degrees of freedom, place and slope
    together, which covers more than stated for the place alone. A change so small that it is found less than half
    the time is found where noise helped it: its set covers some 80 to 90 % (simulated).

    References
    ----------
    Siegmund (1988), International Statistical Review 56(1), 31-48; Hinkley (1970), Biometrika 57(1), 1-17.
    """
    if not 0 < level < 1:
        raise ValueError(f"`level` must be between 0 and 1, got {level}; 0.95 is usual")
    if kind == "slope":
        from scipy.special import chdtri

        return float(chdtri(2, 1.0 - level))
    return -2.0 * math.log1p(-math.sqrt(level))


def change_point(
    values: ArrayLike,
    place: ArrayLike | None = None,
    *,
    kinds: tuple[str, ...] = ("mean", "slope", "spread"),
    before: str = "level",
    level: float = 0.95,
    false_detection: float = 0.05,
    min_segment: int = 2,
) -> ChangeSearch:
    """Search for one change, of whichever kind explains the readings best.

    Parameters
    ----------
    values : array_like, shape (n,)
        Readings or z-scores in time order, independent and near normal; structure already removed.
    place : array_like, shape (n,), optional
        Age or time of each reading, not decreasing; default evenly spaced. Only slope and curvature use it.
    kinds : tuple of str
        Any of 'mean', 'slope', 'spread', 'curvature'.
    before : str, default 'level'
        What holds before the change: 'level', or 'line' (a sloping centre).
    level : float, default 0.95
        Coverage of the set of starts.
    false_detection : float, default 0.05
        Share of unchanged series called changed, all kinds together.
    min_segment : int, default 2
        Fewest readings on either side of a change.

    Returns
    -------
    ChangeSearch
        'refused' below 8 readings, above 5,000, or when all readings are equal.

    Raises
    ------
    ValueError
        If an option is unknown, lengths differ, or a value is not finite.

    Notes
    -----
    Penalised likelihood: the kinds compete by likelihood ratio less the value that noise exceeds with probability
    `false_detection`, and the best is claimed only if its joint p-value over kinds and places is within
    `false_detection`. What a last reading that is off by itself explains better than any change is none: a step that
    begins with it and a hinge before it would be told from that reading alone. The p-value is by simulation under
    independent normal readings: skew or dependence left in the readings makes it too small.

    References
    ----------
    Hawkins (1977), Journal of the American Statistical Association 72, 180-186; Chen and Gupta (2012), Parametric
    Statistical Change Point Analysis, chapter 2.
    """
    x, t = _checked(values, place, kinds, before, false_detection)
    refusal = _refusal(x)
    if refusal:
        return ChangeSearch("refused", (), math.nan, false_detection, x.size, kinds, refusal)
    degree = 0 if before == "level" else 1
    scaled = (x - x.mean()) / np.ptp(x)
    null = change_null(t, kinds=kinds, degree=degree, min_segment=min_segment)
    scans = {k: change_scan(scaled, t, kind=k, degree=degree, min_segment=min_segment) for k in kinds}
    best = {k: float(scan.max()) for k, scan in scans.items()}
    p = null.joint_p([null.kind_p(k, best[k]) for k in kinds])
    if p > false_detection:
        return ChangeSearch(
            "none", (), p, false_detection, x.size, kinds,
            f"No change found in {x.size:,} readings (noise alone looks as good in {p:.0%} of such series).",
        )  # fmt: skip
    if min_segment > 1 and _last_alone(scaled, t, degree) > max(best.values()):
        return ChangeSearch(
            "none", (), p, false_detection, x.size, kinds,
            f"The last of {x.size:,} readings stands alone: whether it is a change, the next one tells.",
        )  # fmt: skip
    over = {k: best[k] - null.critical(k, false_detection) for k in kinds}
    kind = max(kinds, key=lambda k: over[k])
    near = tuple(k for k in kinds if k != kind and over[k] >= over[kind] - NEAR)
    found = _describe(x, t, scans[kind], kind, degree, level)
    sentence = _sentence((found,), x.size, p)
    if near:
        sentence += f" A change of {' or of '.join(near)} explains them about as well."
    return ChangeSearch("change", (found,), p, false_detection, x.size, kinds, sentence, near)


def least_p_value(
    values: ArrayLike,
    place: ArrayLike | None = None,
    *,
    kinds: tuple[str, ...] = ("mean", "slope"),
    before: str = "level",
    min_segment: int = 2,
) -> float:
    """Chance that noise looks as good at the very place of the best change: no search has a smaller p-value.

    Parameters
    ----------
    values, place, before, min_segment
        As in `change_point`.
    kinds : tuple of str
        Any of 'mean', 'slope', 'curvature'.

    Returns
    -------
    float
        1 where a search would be refused.

    Notes
    -----
    At one place the share of the scatter that a change explains follows a beta law of 1/2 and half the degrees of
    freedom left. The search looks at that place and at others: its p-value is this or more. Nothing is simulated, so
    it tells cheaply where no search is needed.
    """
    from scipy.special import betainc

    x, t = _checked(values, place, kinds, before, 0.5)
    if _refusal(x):
        return 1.0
    degree = 0 if before == "level" else 1
    scaled = (x - x.mean()) / np.ptp(x)
    best = max(float(change_scan(scaled, t, kind=kind, degree=degree, min_segment=min_segment).max()) for kind in kinds)
    return float(betainc((x.size - degree - 2) / 2.0, 0.5, math.exp(-best / x.size)))


def _last_alone(scaled: Array, t: Array, degree: int) -> float:
    """Likelihood ratio of a last reading that is off by itself: no change explains so little so well."""
    return float(change_scan(scaled, t, kind="mean", degree=degree, min_segment=1)[-1])


def _describe(x: Array, t: Array, scan: Array, kind: str, degree: int, level: float) -> Change:
    n = x.size
    start = int(np.argmax(scan))
    ratio = float(scan[start])
    if kind == "curvature":
        bow = np.polynomial.polynomial.polyfit(t, x, 2)
        sd = float(np.std(x - np.polynomial.polynomial.polyval(t, bow)) * math.sqrt(n / (n - 3)))
        none = np.zeros(0, dtype=np.int64)
        steps = float(n - 1)
        first, last = bow[1] / steps, (bow[1] + 2 * bow[2]) / steps
        size = abs(float(bow[2])) / 4 / sd if sd > 0 else math.inf  # largest distance of the bow from its chord
        return Change(kind, 0, none, level, float(first), float(last), size, ratio)
    set_start = np.flatnonzero(ratio - scan <= location_drop(kind, level)).astype(np.int64)
    if kind == "spread":
        residual = x - np.polynomial.polynomial.polyval(t, np.polynomial.polynomial.polyfit(t, x, degree))
        sd_before = float(np.sqrt(np.mean(residual[:start] ** 2)))
        sd_after = float(np.sqrt(np.mean(residual[start:] ** 2)))
        return Change(kind, start, set_start, level, sd_before, sd_after, _share(sd_after, sd_before), ratio)
    step = (np.arange(n) >= start).astype(np.float64)
    direction = step if kind == "mean" else np.maximum(0.0, t - t[start - 1])
    design = np.column_stack([np.vander(t, degree + 1, increasing=True), direction])
    beta = np.linalg.lstsq(design, x, rcond=None)[0]
    sd = math.sqrt(float(np.sum((x - design @ beta) ** 2)) / max(1, n - degree - 2))
    added = float(beta[-1])
    if kind == "mean":
        base = float(x[:start].mean())
        return Change(kind, start, set_start, level, base, base + added, _share(added, sd), ratio)
    slope = float(beta[1]) if degree else 0.0
    rise = added * float(t[-1] - t[start - 1])
    return Change(kind, start, set_start, level, slope / (n - 1), (slope + added) / (n - 1), _share(rise, sd), ratio)


def _checked(
    values: ArrayLike, place: ArrayLike | None, kinds: tuple[str, ...], before: str, rate: float
) -> tuple[Array, Array]:
    x = np.asarray(values, dtype=np.float64)
    t = np.arange(x.size, dtype=np.float64) if place is None else np.asarray(place, dtype=np.float64)
    if x.ndim != 1 or t.shape != x.shape:
        raise ValueError(f"`values` and `place` must be one-dimensional and of one length, got {x.shape} and {t.shape}")
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(t))):
        raise ValueError("`values` and `place` must be finite numbers; leave out readings that are missing")
    if np.any(np.diff(t) < 0):
        raise ValueError("`place` must not decrease; sort the readings by time first")
    if not kinds or any(k not in KINDS for k in kinds):
        raise ValueError(f"`kinds` must be some of {', '.join(KINDS)}, got {kinds}")
    if before not in ("level", "line"):
        raise ValueError(f"`before` must be 'level' or 'line', got {before!r}")
    if not 0 < rate < 1:
        raise ValueError(f"`false_detection` must be between 0 and 1, got {rate}; 0.05 is usual")
    reach = float(t[-1] - t[0]) if t.size else 0.0
    return x, (t - t[0]) / reach if reach > 0 else np.linspace(0.0, 1.0, x.size)


def _refusal(x: Array) -> str:
    if x.size < FEWEST:
        return f"Where a change started cannot be said from {x.size:,} readings; at least {FEWEST} are needed."
    if x.size > MOST:
        return f"{x.size:,} readings are more than one search takes; give a stretch of at most {MOST:,}."
    if np.ptp(x) == 0:
        return f"All {x.size:,} readings are equal: no change can be seen, and none can be ruled out below the step."
    return ""


def _share(size: float, sd: float) -> float:
    return size / sd if sd > 0 else math.copysign(math.inf, size)


def _sentence(
    found: tuple[Change, ...], n: int, p: float, *, placed: bool = True, by: str = "noise alone looks"
) -> str:
    words = {"mean": "the level shifted", "slope": "the slope changed", "spread": "the spread changed"}
    parts = []
    for c in found:
        if c.kind == "curvature":
            parts.append("the readings bend over the whole stretch")
            continue
        low, high = int(c.set_start[0]) + 1, int(c.set_start[-1]) + 1
        where = f" at reading {low}" if low == high else f" somewhere from reading {low} to {high}"
        where = f"{where} of {n:,}" if placed else ""
        size = f"ratio {c.size_sd:.2g}" if c.kind == "spread" else f"{c.size_sd:+.1f} sd"
        if not math.isfinite(c.size_sd):
            size = "no scatter about it"
        parts.append(f"{words[c.kind]} ({size}){where}, {c.level:.0%} sure of the place")
    return f"Changed: {'; '.join(parts)} ({by} as good in {_share_words(p)} such series)."


def _share_words(p: float) -> str:
    """'1 of 400', to two digits."""
    return f"1 of {float(f'{1 / p:.2g}'):,.0f}" if p > 1e-6 else "fewer than 1 of 1,000,000"

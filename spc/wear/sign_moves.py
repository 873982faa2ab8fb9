"""Which signs of one lap have moved: its last faces against its earlier ones, sign by sign."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.chart.share_interval import share_interval
from spc.chart.two_groups import fisher_exact_p, rank_sum_p

__all__ = ["RECENT_FACES", "SignMove", "sign_moves", "without_usual_wear"]

# Our own rule: long enough to tell a halved removal rate, short enough to be this shift.
RECENT_FACES = 8
_LEAST_USUAL = 10
_MOST_USUAL = 200  # earlier faces that count, the latest; what was usual years ago is not


@dataclass(frozen=True, slots=True)
class SignMove:
    """How one sign of one lap moved lately."""

    sign: str  # 'flatness', 'bow', 'passes', 'minutes', 'removal rate', 'finish', 're-lap share'
    direction: str  # 'up', 'down', 'steady', 'too few'
    recent: float  # median of the last faces (share for 're-lap share')
    usual: float  # median of the earlier ones
    n_recent: int
    n_usual: int
    p_value: float  # two-sided, of no move; NaN when too few
    sentence: str


def sign_moves(signs: pd.DataFrame, *, recent: int = RECENT_FACES, alpha: float = 0.01) -> tuple[SignMove, ...]:
    """Compare the last faces of one lap with its earlier ones.

    Parameters
    ----------
    signs : DataFrame, shape (n_faces, ...)
        Rows of one lap from `spc.wear.signs.face_signs`, oldest first.
    recent : int, default `RECENT_FACES`
        How many last faces count as lately.
    alpha : float, default 0.01
        Two-sided chance, per sign, of calling a move where there is none.

    Returns
    -------
    tuple of SignMove
        One per sign, always all of them; 'too few' says so.

    Notes
    -----
    Lately and before share one grit, lately stays within the running cycle, flatness is compared within part number.
    First the slope that the earlier cycles share is taken out, where there are two cycles and it is plain (over twice
    its error): a lap that wears as usual has not moved. Then two tests must both speak: the rank-sum test, which leans
    on no shape of distribution, and a t test (Satterthwaite's degrees of freedom) against what this cycle leads to
    expect, which knows that cycles differ. With under three cycles, lately is compared with the running cycle alone,
    where that is long enough. Fisher's exact test for the re-lap share.
    """
    if recent < 3:
        raise ValueError(f"`recent` must be at least 3 faces, got {recent}")
    if len(signs):
        signs = signs[signs["stream"] == signs["stream"].iloc[-1]].iloc[-(recent + _MOST_USUAL) :]
    cycle = signs["cycle"].to_numpy(np.int64)
    split = max(len(signs) - recent, int(np.searchsorted(cycle, cycle[-1])) if len(signs) else 0)
    flatness = (signs["first_low_um"] + signs["first_high_um"].where(np.isfinite(signs["first_high_um"]))) / 2
    flatness = flatness.where(flatness.notna(), signs["first_low_um"])
    streams = {
        "flatness": (flatness, flatness / flatness.groupby(signs["part"], sort=False).transform("median")),
        "passes": (signs["passes"], signs["passes"]),
        "minutes": (signs["minutes_ratio"],) * 2,
        "removal rate": (signs["rate_ratio"],) * 2,
        "finish": (signs["finish_ratio"],) * 2,
    }
    age = signs["age_faces"].to_numpy(np.float64)
    moves = []
    for name, (shown, compared) in streams.items():
        values, level = shown.to_numpy(np.float64), compared.to_numpy(np.float64)
        moves.append(_value_move(name, values, *without_usual_wear(level, age, cycle, split), cycle, split, alpha))
    relapped = signs["relapped"].to_numpy(bool)
    moves.append(_share_move(relapped[:split], relapped[split:], alpha))
    return tuple(moves)


def without_usual_wear(
    level: NDArray[np.float64], age: NDArray[np.float64], cycle: NDArray[np.int64], split: int
) -> tuple[NDArray[np.float64], bool]:
    """Take the slope that the earlier cycles share out of the levels of a sign, where it is plain.

    Parameters
    ----------
    level, age, cycle : ndarray, shape (n,)
        Levels above 0, NaN where unknown; age in faces and number of the cycle of each.
    split : int
        So many rows are the earlier ones.

    Returns
    -------
    tuple of ndarray, shape (n,), and bool
        Log levels, NaN where unknown, and whether a slope was taken out of them: it must be over twice its error, and
        two cycles must have told of it.
    """
    y = np.log(np.where(level > 0, level, np.nan))
    known = np.flatnonzero(np.isfinite(y[:split]))
    of_cycle, count = np.unique(cycle[known], return_counts=True)
    if np.sum(count >= 4) < 2:
        return y, False
    place = np.searchsorted(of_cycle, cycle[known])
    t = age[known] - (np.bincount(place, age[known]) / count)[place]
    v = y[known] - (np.bincount(place, y[known]) / count)[place]
    spread, free = float(t @ t), known.size - of_cycle.size - 1
    if spread == 0 or free < 5:
        return y, False
    slope = float(t @ v) / spread
    error = math.sqrt(max(float(v @ v) - slope**2 * spread, 0.0) / free / spread)
    plain = abs(slope) > 2 * error
    return (y - slope * np.minimum(age, age[known].max()) if plain else y), plain


def _value_move(
    sign: str,
    values: NDArray[np.float64],
    level: NDArray[np.float64],
    for_its_age: bool,
    cycle: NDArray[np.int64],
    split: int,
    alpha: float,
) -> SignMove:
    known = np.isfinite(level)
    before, now = level[:split][known[:split]], level[split:][known[split:]]
    if now.size < 3 or before.size < _LEAST_USUAL:
        text = f"too few {sign} readings to say: {now.size} lately, {before.size} before"
        return SignMove(sign, "too few", math.nan, math.nan, now.size, before.size, math.nan, text)
    recent, usual = float(np.median(values[split:][known[split:]])), float(np.median(values[:split][known[:split]]))
    of_cycle = cycle[:split][known[:split]]
    own = of_cycle == cycle[-1]
    p = 1.0
    if np.unique(of_cycle).size >= 3:
        p = max(_rank_sum(before, now), _expected(before, of_cycle, own, now))
    else:
        p = _rank_sum(before[own] if own.sum() >= _LEAST_USUAL else before, now)
    higher = float(np.mean(now[:, None] > before[None, :]) - np.mean(now[:, None] < before[None, :]))
    direction = "steady" if p >= alpha else "up" if higher > 0 else "down"
    text = _value_text(sign, direction, recent, usual, for_its_age)
    return SignMove(sign, direction, recent, usual, now.size, before.size, p, text)


def _rank_sum(before: NDArray[np.float64], now: NDArray[np.float64]) -> float:
    if np.ptp(np.concatenate((before, now))) == 0:
        return 1.0
    exact = before.size <= 40 and np.unique(np.concatenate((before, now))).size == before.size + now.size
    return rank_sum_p(now, before, exact=exact)


def _expected(
    before: NDArray[np.float64], of_cycle: NDArray[np.int64], own: NDArray[np.bool_], now: NDArray[np.float64]
) -> float:
    """Two-sided chance of so far a mean, given how cycles differ and what this one has shown."""
    _, place, count = np.unique(of_cycle, return_inverse=True, return_counts=True)
    mean = np.bincount(place, before) / count
    within = float(np.sum((before - mean[place]) ** 2)) / max(before.size - count.size, 1)
    between = max(float(np.var(mean, ddof=1)) - within * float(np.mean(1 / count)), 0.0)
    weight = 1 / (between + within / count) if between + within > 0 else np.ones(count.size)
    usual = float(weight @ mean / weight.sum())
    trust = between / (between + within / own.sum()) if own.any() and between > 0 else 0.0
    centre = usual + trust * (float(before[own].mean()) - usual if own.any() else 0.0)
    unlike = between * (1 - trust) + (1 - trust) ** 2 / float(weight.sum())
    alike = within / now.size
    gap, spread = abs(float(now.mean()) - centre), math.sqrt(unlike + alike)
    if spread == 0:
        return 1.0 if gap == 0 else 0.0
    from scipy.special import stdtr

    free = spread**4 / (unlike**2 / (count.size - 1) + alike**2 / max(before.size - count.size, 1))
    return 2 * float(stdtr(free, -gap / spread))


def _value_text(sign: str, direction: str, recent: float, usual: float, for_its_age: bool) -> str:
    unit = {"flatness": " um", "passes": " per face"}.get(sign, "")
    if sign in ("minutes", "removal rate", "finish"):
        shown = f"{recent:.2g} times the usual of the same part numbers, earlier {usual:.2g}"
    else:
        shown = f"{recent:.2g}{unit} lately, {usual:.2g}{unit} before"
    aged = f"{sign} {direction} for its age" if for_its_age else f"{sign} {direction}"
    return f"{aged}: {shown}" if direction != "steady" else f"{sign} as usual: {shown}"


def _share_move(before: NDArray[np.bool_], now: NDArray[np.bool_], alpha: float) -> SignMove:
    sign = "re-lap share"
    if now.size < 3 or before.size < _LEAST_USUAL:
        text = f"too few faces to compare the re-lap share: {now.size} lately, {before.size} before"
        return SignMove(sign, "too few", math.nan, math.nan, now.size, before.size, math.nan, text)
    hit, was = int(now.sum()), int(before.sum())
    p = fisher_exact_p(hit, now.size, was, before.size)
    recent, usual = hit / now.size, was / before.size
    direction = "steady" if p >= alpha else "up" if recent > usual else "down"
    share = share_interval(hit, now.size)
    low, high = share.low, share.high
    text = (
        f"re-lap share {'as usual' if direction == 'steady' else direction}: {hit} of the last {now.size} faces "
        f"({low:.0%} to {high:.0%}), {was} of {before.size} before"
    )
    return SignMove(sign, direction, recent, usual, now.size, before.size, p, text)

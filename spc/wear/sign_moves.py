"""Which signs of one lap have moved: its last faces against its earlier ones, sign by sign."""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.chart.cycle_spread import cycle_spread
from spc.chart.two_groups import fisher_exact_p, rank_sum_p
from spc.chart.wear_chart import FEWEST_CYCLES, UsualWear, usual_wear
from spc.measure.interval import middle_of

__all__ = ["RECENT_FACES", "SignMove", "sign_moves"]

Array = NDArray[np.float64]

# Our own rule: long enough to tell a halved removal rate, short enough to be this shift.
RECENT_FACES = 8
_LEAST_USUAL = 10  # earlier faces from which a usual is told; our own rule
_NO_SPREAD = 1e-9  # of logarithms: readings that are all the same
_MOST_USUAL = 200  # earlier faces that count, the latest, and three past cycles: not those of years ago [our rule]


@dataclass(frozen=True, slots=True)
class SignMove:
    """How one sign of one lap moved lately."""

    sign: str  # 'flatness', 'passes', 'minutes', 'removal rate', 'finish', 're-lap share'
    direction: str  # 'up', 'down', 'steady', 'too few'
    p_value: float  # two-sided, of no move; NaN when too few


def sign_moves(
    signs: pd.DataFrame, *, cycle_now: int | None = None, recent: int = RECENT_FACES, alpha: float = 0.01
) -> tuple[SignMove, ...]:
    """Compare the last faces of one lap with its earlier ones.

    Parameters
    ----------
    signs : DataFrame, shape (n_faces, ...)
        Rows of one lap from `spc.wear.signs.face_signs`, oldest first.
    cycle_now : int, optional
        Number of the cycle that runs on the lap; left out, that of its last face.
    recent : int, default `RECENT_FACES`
        How many last faces count as lately.
    alpha : float, default 0.01
        Two-sided chance, per sign, of calling a move where there is none; up to twice it where past cycles are very
        unlike, by simulation.

    Returns
    -------
    tuple of SignMove
        One per sign, always all of them; 'too few' says so.

    Notes
    -----
    Lately and before share one grit, lately stays within the running cycle, flatness is compared within part number.
    Wear as usual is no move. With three past cycles or more, the mean of the last faces is put against a t law
    (Satterthwaite's degrees of freedom) around what the usual cycle, its bend, and the faces of this cycle before them
    lead to expect (`spc.chart.wear_chart.usual_wear`): cycles differ in level and in slope, by no less than
    `spc.chart.cycle_spread` leaves open. With fewer past cycles, and beyond the ages that they reached, it is put
    against lines of the cycle's own, one straight in the readings, one straight in their logarithms: both must speak,
    and under ten faces before nothing is said. The rank-sum test, which leans on no shape of distribution, must speak
    too. Fisher's exact test for the re-lap share.
    """
    if recent < 3:
        raise ValueError(f"`recent` must be at least 3 faces, got {recent}")
    signs = signs[signs["stream"] == signs["stream"].iloc[-1]] if len(signs) else signs
    cycle = signs["cycle"].to_numpy(np.int64)
    cycle_now = int(cycle[-1:].max(initial=0)) if cycle_now is None else cycle_now
    past = np.unique(cycle[cycle < cycle_now])[-FEWEST_CYCLES:]
    begins = min(
        max(cycle.size - recent - _MOST_USUAL, 0), int(np.searchsorted(cycle, past[0])) if past.size else cycle.size
    )
    signs, cycle = signs.iloc[begins:], cycle[begins:]
    split = max(len(signs) - recent, int(np.searchsorted(cycle, cycle_now)))
    flatness = pd.Series(middle_of(signs["first_low_um"], signs["first_high_um"]), index=signs.index)
    streams = {
        "flatness": flatness / flatness.groupby(signs["part"], sort=False).transform("median"),
        "passes": signs["passes"],
        "minutes": signs["minutes_ratio"],
        "removal rate": signs["rate_ratio"],
        "finish": signs["finish_ratio"],
    }
    age = signs["age_faces"].to_numpy(np.float64)
    moves = []
    for name, level in streams.items():
        moves.append(_value_move(name, level.to_numpy(np.float64), age, cycle, split, cycle_now, alpha))
    relapped = signs["relapped"].to_numpy(bool)
    moves.append(_share_move(relapped[:split], relapped[split:], alpha))
    return tuple(moves)


def _value_move(
    sign: str,
    level: Array,
    age: Array,
    cycle: NDArray[np.int64],
    split: int,
    cycle_now: int,
    alpha: float,
) -> SignMove:
    y = np.log(np.where(level > 0, level, np.nan))
    known = np.isfinite(y)
    late, early = np.flatnonzero(known[split:]) + split, np.flatnonzero(known[:split])
    if late.size < 3 or early.size < _LEAST_USUAL:
        return SignMove(sign, "too few", math.nan)
    now = _Faces(age[late], y[late], cycle[late])
    of = cycle[early] == cycle_now
    own, past = (_Faces(age[at], y[at], cycle[at]) for at in (early[of], early[~of]))
    gaps = _gaps(past, own, now)
    if not gaps:
        return SignMove(sign, "too few", math.nan)
    p = max(gap.p_value for gap in gaps) if len({gap.up for gap in gaps}) == 1 else 1.0
    direction = "steady" if p >= alpha else "up" if gaps[0].up else "down"
    return SignMove(sign, direction, p)


class _Faces(NamedTuple):
    """Readings of a sign, (n,) each."""

    age: Array
    y: Array  # logarithm of the level
    cycle: NDArray[np.int64]


class _Gap(NamedTuple):
    """How far the last faces lie from what was to be expected of them."""

    p_value: float  # two-sided
    up: bool


def _gaps(past: _Faces, own: _Faces, now: _Faces) -> list[_Gap]:
    """All that must speak alike before the last faces have moved; none where too little is known."""
    usual = usual_wear(*past)
    if usual is not None and float(now.age.mean()) <= float(past.age.max()):
        return [_from_past(usual, past, own, now)]
    if own.y.size < _LEAST_USUAL or np.ptp(own.age) == 0:
        return []
    return [_from_own_line(own, now, in_logs=in_logs) for in_logs in (True, False)]


def _from_past(usual: UsualWear, past: _Faces, own: _Faces, now: _Faces) -> _Gap:
    """Against the usual cycle, with all that cycles differ by, and against what this one has shown before."""
    z, z_own, z_now = (faces.y - usual.centre(faces.age) for faces in (past, own, now))
    scale = math.sqrt(float(np.mean(z**2)))
    if scale < _NO_SPREAD:
        return _Gap(_rank_sum(np.concatenate((z, z_own)), z_now), float(z_now.mean()) > 0)
    assumed = cycle_spread(z / scale, past.age, past.cycle)
    unlike = np.diag(
        np.maximum((usual.start_sd, usual.slope_sd), (scale * assumed.start_sd, scale * assumed.slope_sd)) ** 2
    )
    noise = max(usual.spread, _NO_SPREAD) ** 2
    x, ahead = np.column_stack([np.ones(own.age.size), own.age]), np.array([1.0, float(now.age.mean())])
    left = np.linalg.inv(np.linalg.inv(unlike) + x.T @ x / noise)  # what this cycle leaves open of its line
    taught = left @ (x.T @ z_own) / noise
    line = float(ahead @ left @ ahead)
    alike = noise / now.y.size
    if usual.bend is not None:
        bent = usual.bend.directions(now.age).mean(axis=0)
        alike += noise * float(bent @ usual.bend.cov @ bent)
    free = (line + alike) ** 2 / max(line**2 / (usual.cycles - 1) + alike**2 / usual.freedom, 1e-300)
    gap = float(z_now.mean() - ahead @ taught)
    _, place, count = np.unique(past.cycle, return_inverse=True, return_counts=True)
    about = np.concatenate((z - (np.bincount(place, z) / count)[place], z_own - x @ taught))
    p = max(_two_sided(gap, math.sqrt(line + alike), free), _rank_sum(about, z_now - taught[0] - taught[1] * now.age))
    return _Gap(p, gap > 0)


def _from_own_line(own: _Faces, now: _Faces, *, in_logs: bool) -> _Gap:
    """Against the line through the faces of the cycle before: straight in the logs, or in the readings themselves."""
    x, x_now = (np.column_stack([np.ones(f.age.size), f.age]) for f in (own, now))
    y, late, wide, wide_now = own.y, now.y, np.ones(own.age.size), np.ones(now.age.size)
    if not in_logs:  # the noise of a reading grows with it
        y, late = np.exp(own.y), np.exp(now.y)
        flat = np.linalg.lstsq(x, y, rcond=None)[0]
        wide, wide_now = (np.maximum(each @ flat, 0.1 * float(np.median(y))) for each in (x, x_now))
    x, x_now, y, late = x / wide[:, None], x_now / wide_now[:, None], y / wide, late / wide_now
    fit = np.linalg.lstsq(x, y, rcond=None)[0]
    left, off = y - x @ fit, late - x_now @ fit
    free = own.age.size - 2
    ahead = x_now.mean(axis=0)
    variance = float(left @ left) / free * (1.0 / now.age.size + float(ahead @ np.linalg.inv(x.T @ x) @ ahead))
    gap = float(off.mean())
    return _Gap(max(_two_sided(gap, math.sqrt(variance), free), _rank_sum(left, off)), gap > 0)


def _two_sided(gap: float, sd: float, free: float) -> float:
    from scipy.special import stdtr

    if sd == 0:
        return 1.0 if gap == 0 else 0.0
    return 2 * float(stdtr(free, -abs(gap) / sd))


def _rank_sum(before: Array, now: Array) -> float:
    if np.ptp(np.concatenate((before, now))) < _NO_SPREAD:
        return 1.0
    exact = before.size <= 40 and np.unique(np.concatenate((before, now))).size == before.size + now.size
    return rank_sum_p(now, before, exact=exact)


def _share_move(before: NDArray[np.bool_], now: NDArray[np.bool_], alpha: float) -> SignMove:
    sign = "re-lap share"
    if now.size < 3 or before.size < _LEAST_USUAL:
        return SignMove(sign, "too few", math.nan)
    hit, was = int(now.sum()), int(before.sum())
    p = fisher_exact_p(hit, now.size, was, before.size)
    direction = "steady" if p >= alpha else "up" if hit / now.size > was / before.size else "down"
    return SignMove(sign, direction, p)

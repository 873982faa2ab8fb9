"""One room alarm instead of many: whether most laps move together, and which move beyond the rest.

The temperature, the lamp, the slurry batch, a new reader: what moves the whole board is no lap's fault. The test looks
at the score that more than half the laps lie beyond: a few bad laps cannot raise a room alarm by themselves, and a few
that a warm room does not show on, for what they read is coarse or large, cannot keep it down.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.board.results import RoomAlarm
from spc.model.p_words import p_words

__all__ = [
    "FEWEST_LAPS",
    "ROOM_CHECKS",
    "RoomTest",
    "beyond_the_rest_p",
    "further_than_the_room_p",
    "room_alarm_of",
    "room_test",
]

Array = NDArray[np.float64]

FEWEST_LAPS = 5  # our rule: with fewer, "all together" cannot be told from chance or from two bad laps
BAD_SHARE = 0.3  # share of laps that may be bad in their own right without making a room alarm [our choice]

# Cheapest first; common practice, no source.
ROOM_CHECKS = (
    "read the room temperature against the last shift, and let parts and flats settle",
    "lamp and optical flat: same lamp, same flat, both clean?",
    "slurry or paste: new batch, new mixing, shared bottle?",
    "a new reader, or one reader for all laps this shift?",
    "parts: one batch that came in different?",
)


@dataclass(frozen=True, slots=True)
class RoomTest:
    """Whether most laps moved together this shift."""

    status: str  # 'together', 'no' or 'too few laps'
    direction: str  # 'worse', 'better' or ''
    median_z: float  # how far the middle lap moved, standard deviations; NaN if too few
    p_value: float  # two-sided; holds with up to 30 % of the laps bad by themselves
    alpha: float
    laps: int
    moved: NDArray[np.bool_]  # laps that moved that way, in the order given; all False unless 'together'
    sentence: str


def room_test(z: ArrayLike, *, alpha: float = 0.005) -> RoomTest:
    """Test whether most laps moved the same way.

    Parameters
    ----------
    z : array_like, shape (laps,)
        One standard normal score per lap for the shift, larger = worse; NaN = no faces.
    alpha : float, default 0.005
        Level of the test, both directions together.

    Returns
    -------
    RoomTest

    Raises
    ------
    ValueError
        If `alpha` is not between 0 and 1, or a score is infinite.

    Notes
    -----
    Statistic: the score that more than half the laps lie beyond, upwards or downwards. Null: up to 30 % of the laps
    are as bad as can be, the others independent. Then the statistic is an order statistic of the others and its tail
    a binomial one, so the level is exact for the worst such case; twice the smaller tail is taken.

    References
    ----------
    David and Nagaraja (2003), Order Statistics, section 2.1.
    """
    if not 0 < alpha < 1:
        raise ValueError(f"`alpha` must be between 0 and 1, got {alpha}")
    scores = np.asarray(z, dtype=np.float64)
    if scores.ndim != 1 or np.any(np.isinf(scores)):
        raise ValueError("`z` must be one finite number per lap, or NaN where a lap has no faces")
    known = scores[~np.isnan(scores)]
    n = known.size
    nobody = np.zeros(scores.shape, dtype=bool)
    if n < FEWEST_LAPS:
        words = (
            f"{n:,} laps with faces are too few to tell a move of the room from a move of a lap ({FEWEST_LAPS} needed)."
        )
        return RoomTest("too few laps", "", math.nan, math.nan, alpha, n, nobody, words)
    beyond = n // 2 + 1  # so many laps lie at or above the upward statistic
    ordered = np.sort(known)
    up, down = float(ordered[n - beyond]), float(-ordered[beyond - 1])
    bad = math.floor(BAD_SHARE * n)
    p_up, p_down = _tail(up, beyond - bad, n - bad), _tail(down, beyond - bad, n - bad)
    p = min(1.0, 2.0 * min(p_up, p_down))
    middle = float(np.median(known))
    if p > alpha:
        return RoomTest(
            "no", "", middle, p, alpha, n, nobody, f"The {n:,} laps do not move together ({p_words(p)})."
        )  # fmt: skip
    worse = p_up <= p_down
    moved = np.nan_to_num(scores) > 0 if worse else np.nan_to_num(scores) < 0
    direction = "worse" if worse else "better"
    sentence = f"{int(moved.sum())} of {n} laps moved together, to the {direction}: look at the room before any lap."
    return RoomTest("together", direction, middle, p, alpha, n, moved, sentence)


def beyond_the_rest_p(z: ArrayLike) -> Array:
    """P-value of each lap for being worse both than its own past and than the rest of the cell.

    Parameters
    ----------
    z : array_like, shape (laps,)
        As in `room_test`.

    Returns
    -------
    ndarray, shape (laps,)
        The larger of two p-values: of z itself, and of z less the median of the other laps (with fewer than five
        laps, of z itself). NaN where z is.

    Notes
    -----
    The larger of the two keeps its level when the room moves either way. The variance of a median of m normal scores
    is taken as pi / (2 m + pi - 2), exact at m = 1 and in the limit, within 2 % between.
    """
    from scipy.special import ndtr

    scores = np.asarray(z, dtype=np.float64)
    own = ndtr(-scores)
    known = np.flatnonzero(~np.isnan(scores))
    if known.size < FEWEST_LAPS:
        return np.asarray(own, dtype=np.float64)
    p = np.full(scores.shape, np.nan)
    m = known.size - 1
    scale = math.sqrt(1.0 + math.pi / (2 * m + math.pi - 2))
    for k in known:
        rest = float(np.median(scores[known[known != k]]))
        p[k] = max(float(own[k]), float(ndtr(-(scores[k] - rest) / scale)))
    return p


def further_than_the_room_p(level: ArrayLike, error: ArrayLike) -> Array:
    """P-value of each lap for having moved further than the others of a room that moved.

    Parameters
    ----------
    level : array_like, shape (laps,)
        How far each lap's faces of the shift lie from what is usual for it, larger = worse; NaN = no faces.
    error : array_like, shape (laps,)
        Standard error of each from the scatter of its own faces.

    Returns
    -------
    ndarray, shape (laps,)
        One-sided; NaN where `level` is, and everywhere with fewer than five laps.

    Notes
    -----
    Far from what is usual no chart's own scale holds: it was learned near the middle. So the others are the measure:
    their spread, but at least the error of the lap's own level; Student's t with m - 1 degrees of freedom for m others.
    Two laps that moved further by themselves hide each other here.

    References
    ----------
    Barnett and Lewis (1994), Outliers in Statistical Data, 3rd edition, section 6.3: the externally studentized
    deviation of one observation. From memory.
    """
    from scipy.special import stdtr

    levels, errors = np.asarray(level, dtype=np.float64), np.asarray(error, dtype=np.float64)
    p = np.full(levels.shape, np.nan)
    known = np.flatnonzero(~np.isnan(levels))
    m = known.size - 1
    if known.size < FEWEST_LAPS:
        return p
    for k in known:
        rest = levels[known[known != k]]
        spread = max(float(errors[k]), float(rest.std(ddof=1))) * math.sqrt(1.0 + 1.0 / m)
        gap = float(levels[k] - rest.mean())
        p[k] = float(stdtr(m - 1, -gap / spread)) if spread > 0 else float(gap <= 0)
    return p


def room_alarm_of(test: RoomTest, laps: tuple[str, ...]) -> RoomAlarm | None:
    """Put a room test into the words of the board; None unless most laps moved together.

    Raises
    ------
    ValueError
        If `laps` are not as many as were tested.
    """
    if len(laps) != test.moved.size:
        raise ValueError(f"`laps` must name the {test.moved.size} laps tested, got {len(laps)}")
    if test.status != "together":
        return None
    moved = tuple(lap for lap, did in zip(laps, test.moved, strict=True) if did)
    evidence = f"The middle lap moved by {abs(test.median_z):.1f} sd ({p_words(test.p_value)})."
    return RoomAlarm(test.sentence, moved, test.p_value, ROOM_CHECKS, evidence)


def _tail(value: float, beyond: int, n: int) -> float:
    """Probability that at least `beyond` of n standard normal scores lie at or above `value`."""
    from scipy.special import bdtrc, ndtr

    return float(bdtrc(beyond - 1, n, float(ndtr(-value))))

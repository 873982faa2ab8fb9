"""How large a share of faces may be, given how many of how many were seen."""

from dataclasses import dataclass

from spc.chart.checks import choice, count_in, number_in

__all__ = ["ShareInterval", "share_interval"]

METHODS = ("exact", "Jeffreys")
SIDES = ("both", "upper", "lower")


@dataclass(frozen=True, slots=True)
class ShareInterval:
    """A share with its interval."""

    share: float  # seen, 0 to 1; 0 when there were no faces
    low: float
    high: float
    bad: int
    faces: int
    level: float
    method: str
    status: str  # 'ok' or 'too few' (no face at all: the interval is 0 to 1)
    sentence: str


def share_interval(
    bad: int, faces: int, *, level: float = 0.95, method: str = "exact", sides: str = "both"
) -> ShareInterval:
    """Interval for a share, never the plus or minus of a large sample.

    Parameters
    ----------
    bad : int
        Faces with the property (re-lapped, scratched), 0 to `faces`.
    faces : int
        Faces looked at, 0 or more.
    level : float, default 0.95
        Between 0 and 1.
    method : {'exact', 'Jeffreys'}
        'exact' never covers less than the level (Clopper and Pearson); 'Jeffreys' covers it on average.
    sides : {'both', 'upper', 'lower'}
        'upper' gives 0 to an upper bound, 'lower' a lower bound to 1.

    Returns
    -------
    ShareInterval

    Raises
    ------
    ValueError
        For counts that do not fit each other, or a level out of range.

    References
    ----------
    Clopper and Pearson (1934), Biometrika 26; Brown, Cai and DasGupta (2001), Statistical Science 16(2).
    """
    from scipy.special import betaincinv

    n = count_in(faces, "faces", least=0)
    x = count_in(bad, "bad", least=0, most=n)
    confidence = number_in(level, "level", above=0.0)
    if confidence >= 1.0:
        raise ValueError(f"`level` must be below 1, got {level}; 0.95 is usual")
    choice(method, "method", METHODS)
    choice(sides, "sides", SIDES)
    if n == 0:
        return ShareInterval(0.0, 0.0, 1.0, 0, 0, confidence, method, "too few", "no faces yet: any share is possible")
    tail = (1.0 - confidence) / (2.0 if sides == "both" else 1.0)
    extra = 0.5 if method == "Jeffreys" else 0.0
    low, high = 0.0, 1.0
    if sides != "upper" and x > 0:
        low = float(betaincinv(x + extra, n - x + (extra or 1.0), tail))
    if sides != "lower" and x < n:
        high = float(betaincinv(x + (extra or 1.0), n - x + extra, 1.0 - tail))
    sentence = f"{x:,} of {n:,} faces: between {low:.1%} and {high:.1%} ({confidence:.0%}, {method})"
    return ShareInterval(x / n, low, high, x, n, confidence, method, "ok", sentence)

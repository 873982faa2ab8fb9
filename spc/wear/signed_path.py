"""When a wear path must be read with its sign: a form that goes through flat reads better on the way to the limit.

Flatness is the size of the bow. Taken by its size alone, a path from concave to convex falls, and a forecast would say
that it never reaches the limit; with its sign it is one line, and the limit lies on both sides of flat.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.measure.interval import middle_of
from spc.wear.signed_bow import SIGN_OF_SHAPE
from spc.wear.wear_path import WearPath, wear_path

__all__ = [
    "carries_signs",
    "goes_through_flat",
    "heads_for_flat",
    "many_go_through_flat",
    "signed_path",
    "sizes_go_through_flat",
    "way_of",
    "ways_through_flat",
]

LEAST_SIGNED = 3  # readings with their sign, and a quarter of all: fewer do not say how a form bends; our own rule
_LEAST_MINORITY = 3  # readings of the rarer sign, and a tenth of all: fewer may be slips of the pen; our own rule
_NO_MORE = 2.0  # times the scatter of the sizes that the signed readings may have; our own rule
_SURE = 0.95  # our own rule
_LEAST_FOR_LINE = 5  # signed readings from which on a line through them is drawn; our own rule
_TURNING_POINTS = 39  # ages at which sizes are tried to turn; our own rule


def signed_path(
    label: str, age: ArrayLike, low: ArrayLike, high: ArrayLike, shape: ArrayLike, *, parts: Sequence[str] = ()
) -> WearPath:
    """Make a path of the signed bow from sizes and what was written of the form; convex positive.

    Parameters
    ----------
    label : str
    age : array_like, (n,)
        Age at each reading, faces.
    low, high : array_like, (n,)
        The size lies between, micrometres; NaN = not measured, high may be inf.
    shape : array_like of str, (n,)
        'convex', 'concave', 'twist' or ''.
    parts : sequence of str, (n,), optional

    Returns
    -------
    WearPath
        Of the readings that say convex or concave: the others lie on one side of flat or on the other, and a twist on
        no path between. What is open above is kept as a size whose sign its neighbours tell.
    """
    lows, highs = np.asarray(low, np.float64), np.asarray(high, np.float64)
    form = np.asarray(shape, dtype=object)
    way = np.array([SIGN_OF_SHAPE.get(word, 0) for word in form.tolist()], dtype=np.int64)
    turned, still_open = (way < 0) & np.isfinite(highs), np.isposinf(highs) & (form != "twist")
    ends = np.where(turned, -highs, lows), np.where(turned, -lows, highs)
    used = (way != 0) | still_open
    return wear_path(
        label,
        np.asarray(age, np.float64)[used],
        ends[0][used],
        ends[1][used],
        sign_known=((way > 0) | turned)[used],
        parts=[part for part, kept in zip(parts, used, strict=True) if kept] if parts else (),
    )


def carries_signs(path: WearPath, readings: int) -> bool:
    """Whether a path from `signed_path` has the sign of enough of the readings that the cycle has."""
    known = int(np.count_nonzero(path.sign_known))
    return known >= LEAST_SIGNED and 4 * known >= readings


def goes_through_flat(path: WearPath) -> bool:
    """Whether a path from `signed_path` has readings on both sides of flat, and goes from one to the other.

    Faces that are convex and concave by turns, and of much the same size, go through nothing: about a line in age their
    signed readings scatter far more than their sizes do.
    """
    middle, age = _middle(path), path.age[path.sign_known]
    up = int(np.count_nonzero(middle > 0))
    rarer = min(up, middle.size - up)
    if rarer < _LEAST_MINORITY or 10 * rarer < middle.size:
        return False
    return _scatter(age, middle) <= _NO_MORE * _scatter(age, np.abs(middle))


def _scatter(age: NDArray[np.float64], reading: NDArray[np.float64]) -> float:
    """Sum of squares about the least-squares line in age."""
    columns = np.column_stack([np.ones_like(age), age - age.mean()])
    return float(np.sum((reading - columns @ np.linalg.lstsq(columns, reading, rcond=None)[0]) ** 2))


def way_of(path: WearPath) -> int:
    """Which way the signed readings of a path go: 1 towards convex, -1 towards concave, 0 not told."""
    middle, age = _middle(path), path.age[path.sign_known]
    return int(np.sign((age - age.mean()) @ middle)) if age.size else 0


def ways_through_flat(past: Sequence[WearPath], until_age: float) -> tuple[int, ...]:
    """Give the way of each past cycle that carries signs and went through flat or headed for it, 0 of the others."""
    return tuple(way_of(p) * (goes_through_flat(p) or heads_for_flat(p, until_age)) for p in past)


def many_go_through_flat(ways: Sequence[int]) -> bool:
    """Whether a third or more of the past cycles that carry signs, two at least, went through flat or headed for it."""
    there = np.count_nonzero(ways)
    return bool(there >= 2 and 3 * there >= len(ways))


def sizes_go_through_flat(path: WearPath, until_age: float) -> bool:
    """Whether the sizes alone of a path say that its form went through flat or surely heads for it.

    Parameters
    ----------
    path : WearPath
        Sizes, whose signs nobody wrote.
    until_age : float
        As in `heads_for_flat`.

    Returns
    -------
    bool
        They fall to nothing at some age and grow again, which fits them better than a straight line and than sizes
        that hold until some age and grow from there, or they fall and reach nothing. Sizes that only grow, however late
        they turn steep, hold, or scatter as widely as they shrink are hardly ever called so.
    """
    middle, age = middle_of(path.low, path.high), path.age
    if age.size < _LEAST_FOR_LINE or not np.ptp(age):
        return False
    after = age - np.linspace(age[0], age[-1], _TURNING_POINTS + 2)[1:-1, None]
    turning = _left(np.abs(after), middle)
    grown = np.maximum(after, 0.0)
    growing = _left(grown - grown.mean(axis=1, keepdims=True), middle - middle.mean())
    falls = way_of(path) < 0  # a line through sizes that turn steep begins below nothing
    return turning < min(growing, _scatter(age, middle)) or (falls and heads_for_flat(path, until_age))


def _left(shapes: NDArray[np.float64], reading: NDArray[np.float64]) -> float:
    """Sum of squares that the best of some shapes, each times a factor of 0 or more, leaves."""
    factor = np.maximum(shapes @ reading, 0.0) / np.sum(shapes**2, axis=1)
    return float(np.sum((reading - factor[:, None] * shapes) ** 2, axis=1).min())


def heads_for_flat(path: WearPath, until_age: float) -> bool:
    """Whether the straight line through the signed readings of a path surely reaches flat before an age.

    Parameters
    ----------
    path : WearPath
        From `signed_path`.
    until_age : float
        How old such a cycle usually gets; at least twice the ages read so far are looked over.

    Returns
    -------
    bool
        Nineteen chances in twenty, by the least-squares line and the t law of its end.
    """
    from scipy.special import stdtr

    middle, age = _middle(path), path.age[path.sign_known]
    if age.size < _LEAST_FOR_LINE or not np.ptp(age):
        return False
    past = age - age.mean()
    slope, left = float(past @ middle / (past @ past)), age.size - 2
    rest = middle - middle.mean() - slope * past
    ends = np.array([age[0], max(until_age, age[0] + 2 * float(np.ptp(age)))]) - age.mean()
    begins, reaches = middle.mean() + slope * ends
    spread = np.sqrt(rest @ rest / left * (1 / age.size + ends[1] ** 2 / (past @ past)))
    if begins * reaches >= 0:
        return False
    return bool(spread == 0 or stdtr(left, abs(reaches) / spread) >= _SURE)


def _middle(path: WearPath) -> NDArray[np.float64]:
    """Middles of the readings whose sign is known."""
    return middle_of(path.low[path.sign_known], path.high[path.sign_known])

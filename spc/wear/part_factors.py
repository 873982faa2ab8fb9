"""Whether part numbers read higher by a step or by a factor, and the factors where it is one.

A part number that reads higher by a step does so alike on a fresh lap and on a worn one; where the form of the lap is
copied onto faces of differing size, it does so by a factor, and its readings grow as many times as fast. Near the
readings both say the same. At a limit that past cycles of other part numbers never came near they do not.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spc.measure.interval import middle_of
from spc.wear.wear_path import WearPath

__all__ = ["by_factors", "part_factors"]

Array = NDArray[np.float64]

# Our own rules.
_LEAST, _OF_CYCLE = 10, 5  # readings of a part number; of a cycle, from which on its course is told
_BOWED = 10  # readings of a cycle from which on its course may bend
_SURE = 3.0  # log likelihood by which factors must explain the readings better than steps
_ROUNDS = 100


def part_factors(paths: Sequence[WearPath]) -> dict[str, float]:
    """Find the factors by which part numbers differ, where that explains past cycles better than steps do.

    Parameters
    ----------
    paths : sequence of WearPath
        Past cycles of a group: sizes, not signed.

    Returns
    -------
    dict of str to float
        Factor by part number, over all readings 1 in the geometric mean; a part number of few readings is not among
        them. {} = steps do as well, part numbers are not told apart, or too little is read.

    Notes
    -----
    Each cycle has a course of its own, a parabola of age, so that wear is told from parts whatever its shape. On it
    part numbers lie higher by steps (least squares), or it is multiplied by factors (least squares, courses and factors
    in turn): two models of as many terms, told apart by their likelihoods under equal normal errors.
    """
    rows = [_read(path) for path in paths if path.parts]
    rows = [row for row in rows if row[0].size >= _OF_CYCLE]
    if not rows:
        return {}
    y = np.concatenate([row[0] for row in rows])
    names = np.concatenate([row[2] for row in rows])
    known, counts = np.unique(names, return_counts=True)
    known = known[counts >= _LEAST]
    place = {name: k for k, name in enumerate(known.tolist())}
    of = np.array([place.get(name, -1) for name in names.tolist()])
    told = of >= 0
    if known.size < 2 or (y[told] < 0).any() or not y[told].any():
        return {}
    courses, at = [], 0
    for values, age, _ in rows:
        own = told[at : at + values.size]
        span, t = at + np.flatnonzero(own), age[own]
        at += values.size
        if span.size >= _OF_CYCLE:
            t = (t - t.min()) / max(float(np.ptp(t)), 1e-300)
            degree = min(2 if span.size >= _BOWED else 1, np.unique(t).size - 1)
            courses.append((span, np.vander(t, degree + 1)))
    taken = np.concatenate([span for span, _ in courses]) if courses else np.zeros(0, np.intp)
    if np.unique(of[taken]).size < known.size or taken.size <= 3 * len(courses) + known.size:
        return {}
    steps = _left_by_steps(y, of, courses, known.size)
    factor, factors = _left_by_factors(y, of, courses, known.size)
    if not (factors > 0).all() or steps <= 1e-12 * float(y @ y):
        return {}
    if taken.size / 2 * np.log(steps / max(factor, 1e-300)) < _SURE:
        return {}
    factors /= np.exp(np.mean(np.log(factors[of[taken]])))
    return dict(zip(known.tolist(), factors.tolist(), strict=True))


def by_factors(path: WearPath, factors: Mapping[str, float]) -> WearPath:
    """Divide each reading of a path by the factor of its part number, 1 where it has none."""
    if not factors or not path.parts:
        return path
    factor = np.array([factors.get(part, 1.0) for part in path.parts])
    return replace(path, low=path.low / factor, high=path.high / factor)


def _read(path: WearPath) -> tuple[Array, Array, NDArray[np.str_]]:
    """Take the readings that end somewhere, with their ages and part numbers."""
    closed = np.isfinite(path.high)
    middle = middle_of(path.low[closed], path.high[closed])
    return middle, path.age[closed], np.array(path.parts, dtype=np.str_)[closed]


def _left_by_steps(y: Array, of: NDArray[np.intp], courses: Sequence[tuple[NDArray[np.intp], Array]], n: int) -> float:
    """Sum of squares left where each part number lies higher by a step."""
    columns = np.column_stack([y, of[:, None] == np.arange(n)]).astype(np.float64)
    left = []
    for span, course in courses:
        own = columns[span]
        left.append(own - course @ np.linalg.lstsq(course, own, rcond=None)[0])
    about = np.concatenate(left)
    step = np.linalg.lstsq(about[:, 1:], about[:, 0], rcond=None)[0]
    return float(np.sum((about[:, 0] - about[:, 1:] @ step) ** 2))


def _left_by_factors(
    y: Array, of: NDArray[np.intp], courses: Sequence[tuple[NDArray[np.intp], Array]], n: int
) -> tuple[float, Array]:
    """Sum of squares left where each part number multiplies the course of its cycle, and the factors."""
    factors, before = np.ones(n), np.inf
    for _ in range(_ROUNDS):
        course_of = np.zeros(y.size)
        for span, course in courses:
            weighed = course * factors[of[span], None]
            course_of[span] = course @ np.linalg.lstsq(weighed, y[span], rcond=None)[0]
        read = np.concatenate([span for span, _ in courses])
        along = np.bincount(of[read], weights=course_of[read] * y[read], minlength=n)
        across = np.bincount(of[read], weights=course_of[read] ** 2, minlength=n)
        factors = along / np.maximum(across, 1e-300)
        left = float(np.sum((y[read] - factors[of[read]] * course_of[read]) ** 2))
        if before - left <= 1e-9 * left:
            break
        before = left
    return left, factors

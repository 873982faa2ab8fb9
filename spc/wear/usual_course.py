"""The course that past cycles took, whatever its form: what they have in common, each at its own level and pace.

Laps that run flat and then all turn steep at about the same age wear as no power of age or reading does; the cycles
that have ended show it.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spc.measure.interval import middle_of
from spc.wear.path_scale import PathScale, unzeroed, zeroed_start
from spc.wear.path_shape import Shape
from spc.wear.wear_path import WearPath

__all__ = ["LEAST_CYCLES", "course_on", "usual_course"]

Array = NDArray[np.float64]

# Our own rules.
LEAST_CYCLES = 5  # past cycles of which a course is told
_PIECES, _LEAST_PIECES = 5, 3  # straight pieces it is made of
_SO_FAR = 3  # cycles that were read at an age or beyond it, for a piece to end there
_FLATTEST = 0.05  # slope of a piece, of the mean slope: a course that stood still would never end


def usual_course(paths: Sequence[WearPath], *, relative: bool = False) -> Shape | None:
    """Find the course that cycles have in common, in straight pieces that never fall.

    Parameters
    ----------
    paths : sequence of WearPath
        Past cycles of a group, each at a level of its own, and each part number in it.
    relative : bool, default False
        Whether readings are taken as shares of the size of their cycle's limit.

    Returns
    -------
    Shape or None
        Its age counts as far as past cycles had gone by then, on average; beyond what they were read to it goes on as
        it went last. None where too few cycles tell it, or they do not rise.

    Notes
    -----
    Least squares over slopes of zero or more, readings from the mean of their cycle and part number; the pieces hold
    about as many readings each.

    References
    ----------
    Lawton, Sylvestre and Maggio (1972), Self modeling nonlinear regression, Technometrics 14: one curve for all
    individuals, each with a level and scale of its own (from memory). Least squares without negative terms: Lawson and
    Hanson (1974), Solving Least Squares Problems, as in `scipy.optimize.nnls`.
    """
    from scipy.optimize import nnls

    start = zeroed_start(paths)
    read = [path for path in (unzeroed(path, *start) for path in paths) if path.age.size]
    if len(read) < LEAST_CYCLES:
        return None
    age = np.concatenate([path.age for path in read])
    end = np.sort([path.age[-1] for path in read])[-_SO_FAR]
    knots = np.unique(np.quantile(age[age <= end], np.linspace(0.0, 1.0, _PIECES + 1)))
    if knots.size <= _LEAST_PIECES:
        return None
    ways, rises = [], []
    for path in read:
        reading = _middles(path) / (abs(path.limit) if relative else 1.0)
        parts = np.array(path.parts) if path.parts else np.zeros(path.age.size, dtype=np.int64)
        for part in np.unique(parts):
            of = parts == part
            way = _way(path.age[of], knots)
            ways.append(way - way.mean(axis=0))
            rises.append(reading[of] - reading[of].mean())
    slopes, _ = nnls(np.concatenate(ways), np.concatenate(rises))
    length = np.diff(knots)
    mean = float(slopes @ length) / float(length.sum())
    if not mean > 0:
        return None
    far = np.concatenate([[0.0], np.cumsum(np.maximum(slopes, _FLATTEST * mean) * length)])
    points = tuple(zip(knots.tolist(), far.tolist(), strict=True))
    return Shape("as past cycles", "as past cycles went", 1.0, 1.0, points)


def course_on(scale: PathScale, course: Shape, oldest: float) -> PathScale:
    """Put another course on a scale made for one, 1 at the age of the oldest reading again."""
    start = course.age(np.array([scale.zeroed_at]), 0.0)[0] if np.isfinite(scale.zeroed_at) else 0.0
    width = float(course.age(np.array([oldest]), 0.0)[0]) - float(start)
    return replace(scale, shape=course, age_origin=float(start), age_range=width)


def _middles(path: WearPath) -> Array:
    """Middle of each reading, its closed end where it is open."""
    low = np.where(np.isfinite(path.low), path.low, path.high)
    return middle_of(low, np.where(np.isfinite(path.high), path.high, low))


def _way(age: Array, knots: Array) -> Array:
    """How far an age has gone in each piece, the last one without an end; (N, pieces)."""
    most = np.diff(knots)
    most[-1] = np.inf
    return np.clip(age[:, None] - knots[:-1], 0.0, most)

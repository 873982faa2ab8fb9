"""The course that past cycles took, whatever its form: what they have in common, each at its own level and pace.

Laps that run flat and then all turn steep at about the same age wear as no power of age or reading does; the cycles
that have ended show it.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from spc.measure.interval import middle_of
from spc.wear.path_scale import PathScale, unzeroed, zeroed_start
from spc.wear.path_shape import Shape
from spc.wear.wear_path import WearPath

__all__ = ["LEAST_CYCLES", "course_of_others", "course_on", "usual_course"]

Array = NDArray[np.float64]

# Our own rules.
LEAST_CYCLES = 5  # past cycles of which a course is told; without one of them, one fewer
_PIECES, _LEAST_PIECES = 5, 3  # straight pieces it is made of
_SO_FAR = 3  # cycles that were read at an age or beyond it, for a piece to end there
_MOST_GROUPS = 12  # of cycles left out in turn
_FLATTEST = 0.05  # slope of a piece, of the mean slope: a course that stood still would never end


def usual_course(paths: Sequence[WearPath], *, relative: bool = False, least: int = LEAST_CYCLES) -> Shape | None:
    """Find the course that cycles have in common, in straight pieces that never fall.

    Parameters
    ----------
    paths : sequence of WearPath
        Past cycles of a group, each at a level of its own, and each part number in it.
    relative : bool, default False
        Whether readings are taken as shares of the size of their cycle's limit.
    least : int, default 5
        Cycles of which a course is told.

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
    laid_out = _lay_out(paths, relative, least)
    return None if laid_out is None else _course(laid_out, np.ones(laid_out.cycle.size, dtype=bool))


def course_of_others(paths: Sequence[WearPath], *, relative: bool = False) -> list[Shape] | None:
    """Find for each cycle the course of cycles it is not among: of more than a dozen several are left out at once.

    Parameters
    ----------
    paths, relative : as in `usual_course`

    Returns
    -------
    list of Shape or None
        None where a course is not found for every cycle.
    """
    laid_out = _lay_out(paths, relative, LEAST_CYCLES)
    if laid_out is None:
        return None
    group = np.arange(len(paths)) % min(len(paths), _MOST_GROUPS)
    of = group[laid_out.cycle]
    found = [course for out in range(int(group.max()) + 1) if (course := _course(laid_out, of != out)) is not None]
    return [found[out] for out in group] if len(found) == int(group.max()) + 1 else None


def course_on(scale: PathScale, course: Shape, oldest: float) -> PathScale:
    """Put another course on a scale made for one, 1 at the age of the oldest reading again."""
    start = course.age(np.array([scale.zeroed_at]), 0.0)[0] if np.isfinite(scale.zeroed_at) else 0.0
    width = float(course.age(np.array([oldest]), 0.0)[0]) - float(start)
    return replace(scale, shape=course, age_origin=float(start), age_range=width)


class _LaidOut(NamedTuple):
    """N readings of all cycles, each from the mean of its cycle and part number."""

    knots: Array  # (pieces + 1,) ages between which a course is straight
    way: Array  # (N, pieces) how far each age has gone in each piece
    rise: Array  # (N,)
    cycle: NDArray[np.int64]  # (N,) place of its path


def _lay_out(paths: Sequence[WearPath], relative: bool, least: int) -> _LaidOut | None:
    start = zeroed_start(paths)
    read = [unzeroed(path, *start) for path in paths]
    count = np.array([path.age.size for path in read])
    if np.count_nonzero(count) < least:
        return None
    age, cycle = np.concatenate([path.age for path in read]), np.repeat(np.arange(len(read)), count)
    end = np.sort([path.age[-1] for path in read if path.age.size])[-_SO_FAR]
    knots = np.unique(np.quantile(age[age <= end], np.linspace(0.0, 1.0, _PIECES + 1)))
    if knots.size <= _LEAST_PIECES:
        return None
    reading = np.concatenate([_middles(path) / (abs(path.limit) if relative else 1.0) for path in read])
    names = np.concatenate([np.array(path.parts or ("",) * path.age.size, dtype=str) for path in read])
    parts, part = np.unique(names, return_inverse=True)
    cell = cycle * parts.size + part
    most = np.diff(knots)
    most[-1] = np.inf  # the last piece goes on
    way = np.clip(age[:, None] - knots[:-1], 0.0, most)
    return _LaidOut(
        knots, np.column_stack([_from_mean(each, cell) for each in way.T]), _from_mean(reading, cell), cycle
    )


def _from_mean(values: Array, cell: NDArray[np.int64]) -> Array:
    """Values from the mean of their cell."""
    of = np.maximum(np.bincount(cell), 1)
    return np.asarray(values - (np.bincount(cell, weights=values) / of)[cell], dtype=np.float64)


def _course(laid_out: _LaidOut, used: NDArray[np.bool_]) -> Shape | None:
    """Solve for the slopes by some of the readings; None where they do not rise."""
    from scipy.optimize import nnls

    slopes, _ = nnls(laid_out.way[used], laid_out.rise[used])
    length = np.diff(laid_out.knots)
    mean = float(slopes @ length) / float(length.sum())
    if not mean > 0:
        return None
    far = np.concatenate([[0.0], np.cumsum(np.maximum(slopes, _FLATTEST * mean) * length)])
    points = tuple(zip(laid_out.knots.tolist(), far.tolist(), strict=True))
    return Shape("as past cycles", "as past cycles went", 1.0, 1.0, points)


def _middles(path: WearPath) -> Array:
    """Middle of each reading, its closed end where it is open."""
    low = np.where(np.isfinite(path.low), path.low, path.high)
    return middle_of(low, np.where(np.isfinite(path.high), path.high, low))

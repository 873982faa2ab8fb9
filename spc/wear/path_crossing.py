"""Where drawn wear paths first reach a limit, between the ages at which they were drawn too."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from spc.wear.path_forecast import FuturePaths

__all__ = ["crossing_ages", "share_over"]

Array = NDArray[np.float64]

_NEXT_FACE_Z = 1.2815515655446004  # upper 10 % point of the normal law
_ROUNDS = 30  # in which where the path stands and the error it has there settle
_NEVER = 20.0  # minus log of a chance too small to matter


def crossing_ages(
    future: FuturePaths,
    limit: float,
    lower: float | None,
    crossing: str,
    rng: np.random.Generator,
    *,
    together: int = 1,
) -> Array:
    """Age at which each drawn path first reaches a limit, (S,), inf = not within its ages.

    Parameters
    ----------
    future : FuturePaths
    limit, lower : float
        Upper limit, and the lower one of a signed bow, in the readings' unit.
    crossing : str
        "path", "next face" or "reading".
    rng : numpy.random.Generator
    together : int
        For "reading": how many readings fall to each age; the first of them to be over decides.
    """
    reach = _first(future, limit, 1.0, crossing, rng, together)
    if lower is None:
        return reach
    return np.minimum(reach, _first(future, lower, -1.0, crossing, rng, together))


def share_over(futures: Sequence[FuturePaths], limit: float, lower: float | None) -> float:
    """Share of the drawn paths that are at or over a limit at their first age, 0 to 1."""
    over = []
    for future in futures:
        path = future.path[:, 0]
        there = path >= _on_scale(future, limit)
        over.append(there if lower is None else there | (path <= _on_scale(future, lower)))
    return float(np.concatenate(over).mean())


def _on_scale(future: FuturePaths, value: float) -> float:
    return float(future.scale.reading_scaled(np.array([value]), future.own_limit)[0])


def _first(
    future: FuturePaths, value: float, side: float, crossing: str, rng: np.random.Generator, together: int
) -> Array:
    limit = _on_scale(future, value)
    there_at = _likely_over(future, limit, side) if crossing == "next face" else limit
    gap = side * (future.path - there_at)  # 0 or more = there
    age = future.age
    if crossing == "reading":
        gap[:, 1:] += future.error_of(future.path[:, 1:]) * _largest_error(gap[:, 1:].shape, together, rng)
        gap[:, 0] = np.minimum(side * (future.newest - limit), -1e-12)
    there = gap >= 0
    if crossing != "reading":  # a wandering path may touch the limit between two ages and turn back
        on_age = future.scale.age_scaled(age)
        spread = future.wander_variance[:, None] * np.maximum(np.diff(on_age), 1e-300)
        both = (gap[:, 1:] < 0) & (gap[:, :-1] < 0)
        far = gap[:, 1:] * gap[:, :-1]
        far *= 2 / spread
        near = both & (far < _NEVER)
        there[:, 1:][near] = rng.random(int(near.sum())) < np.exp(-far[near])
    first = there.argmax(axis=1)
    row = np.arange(first.size)
    before = np.maximum(first - 1, 0)
    low, high = gap[row, before], gap[row, first]
    if crossing == "reading":  # straight between the readings themselves, not between what a shape makes of them
        scale = future.scale
        low, high = (side * (scale.reading_back(limit + side * g, future.own_limit) - value) for g in (low, high))
    rise = high - low
    share = np.where(rise > 0, np.clip(-low / np.where(rise > 0, rise, 1.0), 0, 1), 0.5)
    at = age[before] + share * (age[first] - age[before])
    return np.where(there[row, first], np.where(first == 0, age[0], at), np.inf)


def _likely_over(future: FuturePaths, limit: float, side: float) -> Array:
    """Where a path stands when one reading of it in ten exceeds the limit; (S, 1)."""
    at = np.full((future.path.shape[0], 1), limit)
    for _ in range(_ROUNDS if future.scale.error_power else 1):
        at = limit - side * _NEXT_FACE_Z * future.error_of(at)
    return at


def _largest_error(shape: tuple[int, ...], of: int, rng: np.random.Generator) -> Array:
    """Draw the largest of so many standard normal errors."""
    if of == 1:
        return rng.standard_normal(shape)
    from scipy.special import ndtri

    return np.asarray(ndtri((1.0 - rng.random(shape)) ** (1 / of)), dtype=np.float64)

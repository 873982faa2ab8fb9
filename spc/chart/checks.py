"""What every chart asks of its readings before any arithmetic."""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["choice", "count_in", "finite", "number_in", "readings_of", "segment_starts"]


def readings_of(values: ArrayLike, *, name: str = "values", ndim: int = 1) -> NDArray[np.float64]:
    """Return the readings as floats; NaN stands for a face that was not measured, infinity is refused."""
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise TypeError(f"`{name}` must be numbers, got {type(values).__name__} that does not convert") from None
    if array.ndim != ndim:
        shape = "one column of readings" if ndim == 1 else f"an array of {ndim} dimensions"
        raise ValueError(f"`{name}` must be {shape}, got {array.ndim} dimensions")
    infinite = np.isinf(array)
    if infinite.any():
        where = int(np.flatnonzero(infinite.any(axis=tuple(range(1, ndim))) if ndim > 1 else infinite)[0])
        raise ValueError(f"`{name}` must be finite, got infinity at position {where}; leave it out or chart intervals")
    return array


def segment_starts(segments: ArrayLike | None, n: int) -> NDArray[np.intp]:
    """Return the positions at which a new stretch starts (0 first); nothing is compared across such a break."""
    if segments is None:
        return np.zeros(min(n, 1), dtype=np.intp)
    ids = np.asarray(segments)
    if ids.shape != (n,):
        raise ValueError(f"`segments` must hold one id per reading ({n}), got shape {ids.shape}")
    if n == 0:
        return np.zeros(0, dtype=np.intp)
    return np.concatenate(([0], np.flatnonzero(ids[1:] != ids[:-1]) + 1)).astype(np.intp)


def finite(value: float, name: str) -> float:
    """Return `value` as a finite float or say what came."""
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(f"`{name}` must be a finite number, got {value}")
    return number


def number_in(
    value: float, name: str, *, above: float = -math.inf, least: float = -math.inf, most: float = math.inf
) -> float:
    """Return `value` if above < value and least <= value <= most, else say what came."""
    number = float(value)
    if not (math.isfinite(number) and above < number and least <= number <= most):
        lower = f"of at least {least:g}" if least > above else f"greater than {above:g}"
        upper = "" if most == math.inf else f" and at most {most:g}"
        raise ValueError(f"`{name}` must be a finite number {lower}{upper}, got {value}")
    return number


def count_in(value: int, name: str, *, least: int, most: int | None = None) -> int:
    """Return a whole number within bounds, else say what came."""
    if isinstance(value, bool) or int(value) != value or value < least or (most is not None and value > most):
        upper = "" if most is None else f" and at most {most}"
        raise ValueError(f"`{name}` must be a whole number of at least {least}{upper}, got {value}")
    return int(value)


def choice(value: str, name: str, allowed: tuple[str, ...]) -> str:
    """Return `value` if it is one of the allowed words, else list them."""
    if value not in allowed:
        raise ValueError(f"`{name}` must be one of {', '.join(repr(word) for word in allowed)}, got {value!r}")
    return value

"""One value in place of a reading that is an interval, where the whole of it cannot be used."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["middle_of"]


def middle_of(low: ArrayLike, high: ArrayLike) -> NDArray[np.float64]:
    """Middle of each reading; of one open above, its low end.

    Parameters
    ----------
    low, high : array_like, (n,)
        Ends of the readings, any one unit; `high` may be inf.

    Returns
    -------
    (n,)
        NaN where the low end is.
    """
    lows, highs = np.asarray(low, dtype=np.float64), np.asarray(high, dtype=np.float64)
    return (lows + np.where(np.isfinite(highs), highs, lows)) / 2

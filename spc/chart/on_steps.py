"""How often a good reading lies beyond the limit where readings come in steps, over the ages and parts they are of.

A stepped reading lies beyond only when all it stands for does: at the first edge of a step at or beyond the limit. A
limit that follows the age, the part or the faces of its own cycle before passes over the steps, now close to an edge,
now far from it; what it does at one age alone may be a thousand times off.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from spc.chart.norm import Norm, scored
from spc.chart.stream import SIGNS, Stream

__all__ = ["attained_on_steps", "limits_at"]

Array = NDArray[np.float64]


def limits_at(norm: Norm, alpha: float, sign: str, centre: Array, sd: Array) -> Array:
    """Limit at part factor 1 and age 0 for readings of their own cycle's law, in the sign's unit.

    Parameters
    ----------
    norm : Norm
    alpha : float
        Chance per reading of lying beyond, between 0 and 1.
    sign : str
        A key of `spc.chart.stream.SIGNS`.
    centre, sd : ndarray, shape (n,)
        Of that law, in scores of the law of all readings; `sd` infinite = a part of which nothing is known.

    Returns
    -------
    ndarray, shape (n,)
        NaN where nothing is known.
    """
    law, far = norm.law(), -float(ndtri(alpha))
    known = np.isfinite(sd)  # a first face of a part of which nothing is known has no limit
    centre, wide = np.where(known, centre, 0.0), far * np.where(known, sd, 1.0)
    upper = SIGNS[sign].side == "upper"
    limit = law.isf(ndtr(-(centre + wide))) if upper else law.ppf(ndtr(centre - wide))
    return np.asarray(np.where(known, limit, np.nan), dtype=np.float64)


def attained_on_steps(used: Stream, norm: Norm, *, alpha: float, step: float) -> float:
    """Chance that a good reading lies beyond the limit, averaged over the readings of a list, were their law known.

    Parameters
    ----------
    used : Stream
        The list: its ages, its parts, its cycles.
    norm : Norm
    alpha : float
        What the limit is set for, between 0 and 1.
    step : float
        Step in which most readings come, the sign's unit; 0 = numbers, of which every limit attains `alpha`.
    """
    if step <= 0:
        return alpha
    upper, law, score = SIGNS[used.sign].side == "upper", norm.law(), scored(used, norm)
    factor = norm.factor(used.part, used.age_faces)
    limit = limits_at(norm, alpha, used.sign, score.centre, score.sd) * factor
    known = np.isfinite(limit)
    if not known.any():
        return alpha
    ends = used.low if upper else used.high
    origin = float(ends[ends > 0].min()) if np.any(ends > 0) else 0.0
    steps = (limit[known] - origin) / step
    edge = origin + step * (np.ceil(steps - 1e-9) if upper else np.floor(steps + 1e-9))
    at = np.maximum(edge, 0.0) / factor[known]
    towards = 1.0 if upper else -1.0
    beyond = (ndtri(law.sf(at) if upper else law.cdf(at)) + towards * score.centre[known]) / score.sd[known]
    return float(ndtr(beyond).mean())

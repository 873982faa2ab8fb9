"""How the error of a reading goes with its size: alike at every size, or the larger the reading, the larger.

A shape of wear carries a law of error with it: readings that are straight in age scatter alike at every size, those
whose logarithms are straight scatter in proportion. Where the readings show the law by themselves every shape is held
to it; else the shape would be chosen by how the readings scatter and not by how the lap wears.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import lgamma

import numpy as np
from numpy.typing import NDArray

from spc.measure.interval import middle_of
from spc.wear.path_shape import Shape
from spc.wear.wear_path import WearPath

__all__ = ["ErrorGrowth", "error_growth"]

Array = NDArray[np.float64]

# Our own rules.
_POWERS = np.arange(0.0, 3.25, 0.5)  # of the size, that the error may go with
_LIKELY = 3  # of these, the first: 0, as the root of the size, in proportion
_LEAST, _MOST = 12, 2000  # differences of readings that tell; that are looked at
_SURE = 0.75  # log likelihood by which a law must explain them better than the one a shape carries with it
_COUNTED = 0.5  # of that of the differences: a reading is in four of them
_DF = 5.0  # degrees of freedom of the errors: heavy tails
_SMALLEST = 1e-3  # size of a reading, in the mean size, below which its error falls no further
_FOUR = np.arange(4)
_TIES = 1e-3  # of the least gap, that readings of one age are taken to lie apart
_EXACT = 1e-9  # scatter, of the mean size, below which it is rounding
_SCALES = np.geomspace(0.1, 3.0, 49)  # of the errors, in the root mean square of the differences


@dataclass(frozen=True, slots=True)
class ErrorGrowth:
    """What readings of a group say of how their error goes with their size."""

    log_likelihood: tuple[float, ...]  # of each power of the size from 0 to 3 by halves; () = nothing

    def on(self, shape: Shape) -> float:
        """Power of the size that the error goes with on a shape's own scale; 0 = alike at every size there.

        A shape keeps the law that goes with it unless another explains the readings far better.
        """
        if not self.log_likelihood:
            return 0.0
        own = 1.0 - shape.reading_power
        best = int(np.argmax(self.log_likelihood[:_LIKELY]))
        if self.log_likelihood[best] - float(np.interp(own, _POWERS, self.log_likelihood)) < _SURE:
            return 0.0
        return float(_POWERS[best]) - own


def error_growth(paths: Sequence[WearPath]) -> ErrorGrowth:
    """Tell from neighbouring readings how their error goes with their size.

    Parameters
    ----------
    paths : sequence of WearPath
        Cycles of a group.

    Returns
    -------
    ErrorGrowth
        Nothing where they lie on both sides of zero, are too few, stand at one age, or do not scatter.

    Notes
    -----
    Four neighbouring readings of one part number in a cycle make a difference that is zero for every parabola of age:
    no shape of wear is taken for given. Their size is the mean of the four. The width of a reading's step adds its own
    variance.

    References
    ----------
    Carroll and Ruppert (1988), Transformation and Weighting in Regression, chapters 2 and 3 (a power of the mean as the
    law of error, and its likelihood); Gasser, Sroka and Jennen-Steinmetz (1986), Biometrika 73(3), 625-633 (differences
    of neighbours, there of three; both from memory).
    """
    one_side = all((path.low >= 0).all() for path in paths) or all((path.high <= 0).all() for path in paths)
    told = [_differences(path) for path in paths if path.age.size and path.age[-1] > 0]
    away, size, steps = (np.concatenate(each) for each in zip(*told, strict=True)) if told else (np.empty(0),) * 3
    if away.size < _LEAST or not one_side:
        return ErrorGrowth(())
    size, some = np.abs(size), slice(None, None, -(-away.size // _MOST))
    away, size, steps = away[some], size[some], steps[some]
    usual, mean = float(np.mean(away**2)), float(size.mean())
    if not np.sqrt(usual) > _EXACT * mean:
        return ErrorGrowth(())
    size = np.maximum(size / mean, _SMALLEST)
    variance = usual * _SCALES[:, None, None] ** 2 * size ** (2 * _POWERS[:, None]) + steps  # (scales, powers, n)
    constant = lgamma((_DF + 1) / 2) - lgamma(_DF / 2)
    log = constant - 0.5 * np.log(variance) - (_DF + 1) / 2 * np.log1p(away**2 / (_DF * variance))
    return ErrorGrowth(tuple((_COUNTED * log.sum(axis=-1).max(axis=0)).tolist()))


def _differences(path: WearPath) -> tuple[Array, Array, Array]:
    """Take differences of four neighbours, each of the error of one reading; their sizes; the variance of their steps.

    A parabola of age has none.
    """
    closed = np.isfinite(path.high) & path.sign_known
    names = np.array(path.parts or ("",) * path.age.size, dtype=np.str_)
    middle, width, found = middle_of(path.low, path.high), path.high - path.low, [np.empty((3, 0))]
    for name in np.unique(names[closed]):
        row = np.flatnonzero(closed & (names == name))
        gaps = np.diff(path.age[row] / path.age[-1])
        if not gaps.any():
            continue
        four = row[np.arange(max(row.size - 3, 0))[:, None] + _FOUR]
        apart = (path.age[four][:, :, None] - path.age[four][:, None]) / path.age[-1]
        apart = np.where(apart == 0, _TIES * gaps[gaps > 0].min() * (_FOUR[:, None] - _FOUR), apart)
        apart[:, _FOUR, _FOUR] = 1.0
        part = 1.0 / apart.prod(axis=2)
        part /= np.sqrt((part**2).sum(axis=1, keepdims=True))
        steps = ((part * width[four]) ** 2).sum(axis=1) / 12
        found.append(np.array([(part * middle[four]).sum(axis=1), middle[four].mean(axis=1), steps]))
    away, size, steps = np.concatenate(found, axis=1)
    return away, size, steps

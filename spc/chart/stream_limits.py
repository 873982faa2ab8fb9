"""Limits for many streams at once: one pass over all rows, however they are mixed."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.checks import choice, number_in, readings_of
from spc.chart.constants import d2
from spc.chart.rules import SIDES

__all__ = ["StreamLimits", "stream_limits"]

Array = NDArray[np.float64]
SORTABLE = 1 << 16  # up to so many streams the codes sort by radix
BLOCK = 1 << 17  # rows handled at a time


@dataclass(frozen=True, slots=True)
class StreamLimits:
    """Individuals limits of each stream; all arrays have one entry per stream code."""

    centre: Array  # 0 where nothing was measured
    sigma: Array  # 0 = cannot be said: no limits
    lower: Array  # -inf = no limit
    upper: Array  # +inf = no limit
    n: NDArray[np.intp]  # readings used
    ranges: NDArray[np.intp]  # moving ranges used
    zero_share: Array  # of the moving ranges exactly 0
    width_sd: float


def stream_limits(
    values: ArrayLike,
    streams: ArrayLike,
    *,
    segments: ArrayLike | None = None,
    width_sd: float = 3.0,
    sides: str = "both",
) -> StreamLimits:
    """Centre, local spread and limits of every stream.

    Parameters
    ----------
    values : (n,) floats
        Readings in order of time; NaN = not measured.
    streams : (n,) whole numbers
        Code of the stream of each reading, 0 or more, in any mixture.
    segments : (n,) ids, optional
        Stretches; within a stream no difference is taken across a change of id.
    width_sd : float, default 3
    sides : {'both', 'upper', 'lower'}

    Returns
    -------
    StreamLimits

    Raises
    ------
    ValueError
        For infinite readings, wrong shapes, codes that are no whole numbers of 0 or more.

    Notes
    -----
    The same numbers as `local_spread` gives stream by stream; sums are taken about the first reading of each stream.
    """
    x = readings_of(values)
    width = number_in(width_sd, "width_sd", above=0.0)
    choice(sides, "sides", SIDES)
    code = np.asarray(streams)
    if code.shape != x.shape or not np.issubdtype(code.dtype, np.integer):
        raise ValueError(f"`streams` must hold one whole number per reading ({x.size}), got {code.dtype} {code.shape}")
    if x.size == 0:
        nothing, none = np.zeros(0), np.zeros(0, dtype=np.intp)
        return StreamLimits(nothing, nothing, nothing, nothing, none, none, nothing, width)
    if code.min() < 0:
        raise ValueError(f"`streams` must be 0 or more, got {code.min()}")
    count = int(code.max()) + 1
    ids = None if segments is None else _segment_codes(segments, x.size)
    sums = _Sums(count)
    block = max(BLOCK, 16 * count)
    small = code.astype(np.uint16) if count <= SORTABLE else code
    for begin in range(0, x.size, block):
        rows = slice(begin, begin + block)
        sums.add(x[rows], small[rows], None if ids is None else ids[rows])
    n, ranges = sums.n, sums.ranges
    centre = np.where(n > 0, sums.shift + sums.total / np.maximum(n, 1), 0.0)
    sigma = sums.difference / np.maximum(ranges, 1) / d2(2)
    sigma[ranges < 2] = 0.0
    known = sigma > 0.0
    lower = np.where(known & (sides != "upper"), centre - width * sigma, -np.inf)
    upper = np.where(known & (sides != "lower"), centre + width * sigma, np.inf)
    return StreamLimits(centre, sigma, lower, upper, n, ranges, sums.equal / np.maximum(ranges, 1), width)


class _Sums:
    """Sums per stream, added to block by block; a block stays in the processor's cache."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.last = np.full(count, np.nan)  # last reading of each stream so far, NaN = none or missing
        self.last_id = np.full(count, -1, dtype=np.intp)
        self.shift = np.zeros(count)  # a reading of the stream, about which it is summed
        self.shifted = np.zeros(count, dtype=bool)
        self.n = np.zeros(count, dtype=np.intp)
        self.total = np.zeros(count)
        self.ranges = np.zeros(count, dtype=np.intp)
        self.difference = np.zeros(count)
        self.equal = np.zeros(count, dtype=np.intp)

    def add(self, values: Array, codes: NDArray[Any], ids: NDArray[np.intp] | None) -> None:
        """Add a block of rows in order of time."""
        order = np.argsort(codes, kind="stable")
        code, x = codes[order], values[order]
        head = np.concatenate(([0], np.flatnonzero(code[1:] != code[:-1]) + 1))
        stream = code[head].astype(np.intp)
        before = np.empty_like(x)
        before[1:] = x[:-1]
        before[head] = self.last[stream]
        tail = np.append(head[1:], x.size) - 1
        if ids is not None:
            identity = ids[order]
            before_id = np.empty_like(identity)
            before_id[1:] = identity[:-1]
            before_id[head] = self.last_id[stream]
            before[identity != before_id] = np.nan
            self.last_id[stream] = identity[tail]
        self.last[stream] = x[tail]
        difference = np.abs(x - before)
        usable = difference == difference
        equal = difference == 0.0
        if not usable.all():
            difference[~usable] = 0.0
        measured = x == x
        whole = bool(measured.all())
        leads = head if whole else np.flatnonzero(measured)[np.unique(code[measured], return_index=True)[1]]
        fresh = leads[~self.shifted[code[leads]]]
        self.shift[code[fresh]] = x[fresh]
        self.shifted[code[fresh]] = True
        lengths = tail - head + 1
        centred = x - np.repeat(self.shift[stream], lengths)
        if not whole:
            centred[~measured] = 0.0
        self.n[stream] += lengths if whole else np.add.reduceat(measured, head, dtype=np.intp)
        self.total[stream] += np.add.reduceat(centred, head)
        self.ranges[stream] += np.add.reduceat(usable, head, dtype=np.intp)
        self.difference[stream] += np.add.reduceat(difference, head)
        self.equal[stream] += np.add.reduceat(equal, head, dtype=np.intp)


def _segment_codes(segments: ArrayLike, n: int) -> NDArray[np.intp]:
    """Return whole numbers of 0 or more for the ids."""
    ids = np.asarray(segments)
    if ids.shape != (n,):
        raise ValueError(f"`segments` must hold one id per reading ({n}), got shape {ids.shape}")
    if np.issubdtype(ids.dtype, np.integer) and ids.size and ids.min() >= 0:
        return ids.astype(np.intp, copy=False)
    return np.unique(ids, return_inverse=True)[1].reshape(-1).astype(np.intp)

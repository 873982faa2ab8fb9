"""Slips of the pen in wear paths: one reading far beyond both its neighbours, which go on as if it were not there."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from spc.wear.wear_path import WearPath, taken

__all__ = ["slips", "without_slips"]

Array = NDArray[np.float64]

_FAR = (
    12.0  # standard deviations beyond the nearer neighbour; a sound reading of heavy tails hardly ever is: our choice
)
_TO_SD = 1.4826 / np.sqrt(1.5)  # from the median distance to the middle of the neighbours to the sd of one reading


def without_slips(paths: Sequence[WearPath], *, turned: bool = False) -> tuple[tuple[WearPath, ...], tuple[str, ...]]:
    """Take slips out of the paths of a group, and name them.

    Parameters
    ----------
    paths : sequence of WearPath
    turned : bool, default False
        The readings were turned round (`spc.log.falling_wear`) and are named as they were read.

    Returns
    -------
    tuple of (paths, notes)
        The paths without them, in their order; one note for each reading taken out.
    """
    found = slips(paths)
    notes = tuple(
        f"{path.label}: the reading {-path.high[at] if turned else path.low[at]:g} at {path.age[at]:g} stands alone, "
        "far from those on either side"
        for path, off in zip(paths, found, strict=True)
        for at in np.flatnonzero(off)
    )
    kept = (taken(p, np.flatnonzero(~off)) if off.any() else p for p, off in zip(paths, found, strict=True))
    return tuple(kept), notes


def slips(paths: Sequence[WearPath]) -> tuple[NDArray[np.bool_], ...]:
    """Mark the readings of each path that are slips.

    Notes
    -----
    A reading is one that lies beyond both its neighbours by more than `_FAR` standard deviations of a reading, these
    by the median distance of readings from the straight line between their neighbours, of the path or of the group,
    whichever is greater (Hampel 1974, J. of the American Statistical Association 69: the median deviation is not moved
    by what it judges). Readings of unknown sign and those open above are not judged.
    """
    inner = [_inner(path) for path in paths]
    usual = _median([away for _, away in inner])
    out = []
    for path, (beyond, away) in zip(paths, inner, strict=True):
        off = np.zeros(path.age.size, dtype=bool)
        sd = _TO_SD * max(usual, _median([away]))
        if sd > 0:
            off[1:-1] = beyond > _FAR * sd
        out.append(off)
    return tuple(out)


def _inner(path: WearPath) -> tuple[Array, Array]:
    """How far each inner reading lies beyond both its neighbours, and how far from the line between them; (n - 2,)."""
    if path.age.size < 3:
        return np.empty(0), np.empty(0)
    sound = np.isfinite(path.high) & path.sign_known
    middle = np.where(sound, (path.low + path.high) / 2, np.nan)
    before, here, after = middle[:-2], middle[1:-1], middle[2:]
    span = path.age[2:] - path.age[:-2]
    share = np.divide(path.age[1:-1] - path.age[:-2], span, out=np.full(span.size, 0.5), where=span > 0)
    with np.errstate(invalid="ignore"):
        beyond = np.maximum(here - np.fmax(before, after), np.fmin(before, after) - here)
        away = np.abs(here - (before + share * (after - before)))
        away = np.maximum(away, ((path.high - path.low) / 2)[1:-1])  # a step of the scale is no slip
    return np.where(np.isnan(beyond), -np.inf, beyond), away


def _median(parts: Sequence[Array]) -> float:
    every = np.concatenate([part[np.isfinite(part)] for part in parts]) if parts else np.empty(0)
    return float(np.median(every)) if every.size else 0.0

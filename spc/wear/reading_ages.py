"""Ages at which the next readings of a cycle will be taken, as those of its group were: singly or some at a visit."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from spc.wear.wear_path import WearPath

__all__ = ["ages_of_readings"]

Array = NDArray[np.float64]

# Our own rules.
_MOST_AGES = 400  # that readings are drawn at; of more, several are drawn as one
_MOST_STEPS = 20_000  # from now to the end: closer together nothing can be told apart
_APART = 5.0  # times as long as any gap within a visit is every gap between visits
_LEAST_VISITS = 3  # of several readings each, beyond the first of a path, from which on readings come by visits


def ages_of_readings(past: Sequence[WearPath], own: WearPath, start: float, end: float) -> tuple[Array, int]:
    """Lay out ages from `start` to `end` or just beyond, in steps as those of the paths about the same age.

    Parameters
    ----------
    past : sequence of WearPath
        The group; with `own` at least one path of readings at two ages.
    own : WearPath
    start, end : float

    Returns
    -------
    tuple of ((J,), int)
        Ages, the first of them `start`, each as often as it is read at one visit; and how many readings are drawn as
        one at each of the others.

    Notes
    -----
    Readings taken at one visit stand close together, with long gaps between the visits: steps of the middle gap would
    be those within a visit, hundreds where there are three. Gaps are told apart at the widest break between them, if
    the longer side is `_APART` times the shorter and paths change from one to the other again and again. Gaps that only
    grow with age change once.
    """
    ages_read = [p.age for p in (*past, own) if p.age.size > 1]
    longest = _within_a_visit([np.diff(age) for age in ages_read])
    visits = [age[np.append(True, np.diff(age) > longest)] for age in ages_read]
    each = max(1, round(sum(age.size for age in ages_read) / sum(age.size for age in visits)))
    before = np.concatenate([age[:-1] for age in visits])
    gaps = np.concatenate([np.diff(age) for age in visits])
    order = np.argsort(before, kind="stable")
    visits_ahead = _stepped(before[order], gaps[order], start, end, near=max(5, len(past)))
    together = -(-(len(visits_ahead) - 1) * each // _MOST_AGES)
    more = -(len(visits_ahead) - 1) * each % together  # so many that none is left over
    last, step = visits_ahead[-1], visits_ahead[-1] - visits_ahead[-2]
    visits_ahead.extend(last + step * at for at in range(1, -(-more // each) + 1))
    ages = np.repeat(visits_ahead[1:], each)
    ages = ages[: ages.size - ages.size % together]
    return np.append(start, ages[together - 1 :: together]), together


def _stepped(before: Array, gaps: Array, start: float, end: float, *, near: int) -> list[float]:
    """Step from `start` to `end` by the middle of the nearest gaps, sorted by the age before them."""
    least = (end - start) / _MOST_STEPS
    end -= 1e-9 * (end - start)  # the last bit of a clock adds no reading
    ages = [start]
    while ages[-1] < end:
        if ages[-1] >= before[-1]:  # from here on the nearest are the same
            step = max(float(np.median(gaps[-near:])), least)
            ages.extend((ages[-1] + step * np.arange(1, np.ceil((end - ages[-1]) / step) + 1)).tolist())
            break
        at = int(np.searchsorted(before, ages[-1]))
        about = slice(max(at - near, 0), at + near)
        closest = np.argsort(np.abs(before[about] - ages[-1]), kind="stable")[:near]
        ages.append(ages[-1] + max(float(np.median(gaps[about][closest])), least))
    return ages


def _within_a_visit(gaps: Sequence[Array]) -> float:
    """Longest gap between readings of one visit, 0 where readings come singly; `gaps` of each path in their order."""
    levels = np.unique(np.concatenate(gaps))
    levels = levels[levels > 0]
    wider = levels[1:] / levels[:-1]
    if not wider.max(initial=0.0) >= _APART:
        return 0.0
    longest = float(levels[wider.argmax()])
    longer = [path > longest for path in gaps]
    again = sum(max(int(np.count_nonzero(path[1:] & ~path[:-1])) - 1, 0) for path in longer)
    return longest if again >= _LEAST_VISITS else 0.0

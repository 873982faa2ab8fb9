"""Faces that have begun to read as twist, a form between convex and concave that the signed bow has no place for."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.chart.two_groups import fisher_exact_p

__all__ = ["LEAST_IN_RUN", "TwistRun", "twist_run"]

_SHARE = 0.8  # of the faces of a run that read as twist, at least; our own rule
LEAST_IN_RUN = 4  # faces of a run; our own rule
_SURE = 0.0005  # by Fisher's test of the chosen run: at most one false call in 50 cycles, by simulation


@dataclass(frozen=True, slots=True)
class TwistRun:
    """The newest faces of a cycle, most of them twisted."""

    first: int  # place of the first of them
    twisted: int
    faces: int
    twisted_before: int
    faces_before: int


def twist_run(is_twist: ArrayLike, *, began: int) -> TwistRun | None:
    """Find the newest faces that read as twist more often than those before them.

    Parameters
    ----------
    is_twist : array_like of bool, shape (n,)
        Faces of one lap with a form written, oldest first.
    began : int
        Place of the first face of the running cycle: a run begins there at the earliest.

    Returns
    -------
    TwistRun or None
        None too where nothing before tells how often the lap twists.

    Notes
    -----
    The longest run up to the newest face that begins with a twisted one and holds enough of them, against all faces
    before it by Fisher's exact test; the level makes up for the choice of the run and for asking after every face. Our
    own rule.
    """
    twist = np.asarray(is_twist, dtype=bool)
    if twist.size == 0 or began >= twist.size:
        return None
    in_run = np.cumsum(twist[::-1])[::-1]
    length = np.arange(twist.size, 0, -1)
    starts = np.flatnonzero(twist & (in_run >= _SHARE * length) & (np.arange(twist.size) >= began))
    if not starts.size or length[starts[0]] < LEAST_IN_RUN:
        return None
    first = int(starts[0])
    run = TwistRun(first, int(in_run[first]), int(length[first]), int(twist[:first].sum()), first)
    if run.twisted * run.faces_before <= run.twisted_before * run.faces:
        return None
    chance = fisher_exact_p(run.twisted, run.faces, run.twisted_before, run.faces_before)
    return run if chance <= _SURE else None

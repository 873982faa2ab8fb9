"""Run length of a cumulative sum whose increments take few values: stepped readings, re-lap or not, counts."""

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.checks import number_in
from spc.chart.markov import Chain, chain_average
from spc.chart.run_length import RunLength, run_length_of

__all__ = ["bernoulli_chain", "step_cusum_decision_for", "step_cusum_run_length"]

Array = NDArray[np.float64]
GRID = 800
DECISION_MOST = 60.0  # natural log: evidence of 10^26 to 1
DECISION_LEAST = 0.01


def step_cusum_run_length(
    increments: ArrayLike,
    probabilities: ArrayLike,
    *,
    decision: float,
    shifted_probabilities: ArrayLike | None = None,
    head_start: float = 0.0,
    chart: str = "likelihood-ratio sum on the steps of the reading",
) -> RunLength:
    """Run length of max(0, C + increment) for independent increments from a finite list.

    Parameters
    ----------
    increments : (m,) floats
        The values an increment can take.
    probabilities : (m,) floats
        How likely each is in control; must add to 1.
    decision : float
        Signal when the sum exceeds this, greater than 0.
    shifted_probabilities : (m,) floats, optional
        How likely each is after the shift; in control if not given.
    head_start : float
        Share of the decision at which the sum starts.
    chart : str
        The settings in words.

    Returns
    -------
    RunLength

    Raises
    ------
    ValueError
        For wrong shapes, probabilities that do not add to 1, or settings out of range.

    Notes
    -----
    Cells of width decision / 800; a sum that falls between two cells is shared between them so that its mean is
    kept, which makes the error of second order. Increments on a lattice (see `bernoulli_chain`) need no such step.
    """
    steps = np.asarray(increments, dtype=np.float64)
    limit = number_in(decision, "decision", above=0.0)
    share = number_in(head_start, "head_start", least=0.0)
    calm_law = _law(probabilities, steps, "probabilities")
    moved_law = (
        calm_law if shifted_probabilities is None else _law(shifted_probabilities, steps, "shifted_probabilities")
    )
    calm = _shared_chain(steps, calm_law, limit, share * limit)
    moved = calm if shifted_probabilities is None else _shared_chain(steps, moved_law, limit, share * limit)
    mean = float(np.sum(steps * (moved_law - calm_law)))
    return run_length_of(moved, calm, shift_sd=mean, chart=chart, method="Markov chain over the steps of the reading")


def step_cusum_decision_for(
    average: float, increments: ArrayLike, probabilities: ArrayLike, *, head_start: float = 0.0
) -> float:
    """Return the smallest decision (to one part in a thousand) whose average run length in control is the one wanted.

    Laws so far apart that any reading for the shift is rarer than that get the least decision, 0.01.

    Parameters
    ----------
    average : float
        Points between false alarms, greater than 1.
    increments, probabilities : (m,) floats
        As for `step_cusum_run_length`.
    head_start : float
        Share of the decision at which the sum starts.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        If no decision gives such an average.
    """
    wanted = number_in(average, "average", above=1.0)
    share = number_in(head_start, "head_start", least=0.0)
    steps = np.asarray(increments, dtype=np.float64)
    law = _law(probabilities, steps, "probabilities")

    def reaches(decision: float) -> bool:
        return chain_average(_shared_chain(steps, law, decision, share * decision)) >= wanted

    if not np.any((steps > 0.0) & (law > 0.0)):
        raise ValueError("`increments` must be able to rise above 0, or no sum ever signals: the two laws are alike")
    if reaches(DECISION_LEAST):
        return DECISION_LEAST
    low, high = DECISION_LEAST, 1.0
    while not reaches(high):
        low, high = high, 1.5 * high
        if high > DECISION_MOST:
            raise ValueError(f"`average` must be within reach of these increments, got {average:g}")
    while high - low > 1e-3 * high:
        middle = (low + high) / 2.0
        low, high = (low, middle) if reaches(middle) else (middle, high)
    return high


def bernoulli_chain(probability: float, *, lattice: int, decision_steps: int, start_steps: int = 0) -> Chain:
    """Return the exact chain of a Bernoulli sum on a lattice.

    Parameters
    ----------
    probability : float
        Chance of a bad face, 0 to 1.
    lattice : int
        m: a bad face adds m - 1 steps, a good one takes 1 step off, held at 0.
    decision_steps : int
        Signal when the sum reaches this many steps.
    start_steps : int
        Where the sum starts.

    Returns
    -------
    Chain

    References
    ----------
    Reynolds and Stoumbos (1999), Journal of Quality Technology 31(1), 87-108.
    """
    from scipy.sparse import csr_matrix

    states = np.arange(decision_steps)
    good = np.maximum(states - 1, 0)
    bad = states + lattice - 1
    alive = bad < decision_steps
    rows = np.concatenate((states, states[alive]))
    columns = np.concatenate((good, bad[alive]))
    weight = np.concatenate((np.full(states.size, 1.0 - probability), np.full(int(alive.sum()), probability)))
    matrix = csr_matrix((weight, (rows, columns)), shape=(states.size, states.size))
    start = np.zeros(states.size)
    np.add.at(start, columns[rows == start_steps], weight[rows == start_steps])
    return Chain(start=start, matrix=matrix)


def _law(probabilities: ArrayLike, steps: Array, name: str) -> Array:
    law = np.asarray(probabilities, dtype=np.float64)
    if law.shape != steps.shape or law.ndim != 1 or law.size == 0:
        raise ValueError(f"`{name}` must hold one probability per increment ({steps.size}), got shape {law.shape}")
    total = float(law.sum())
    if not (np.all(law >= 0) and math.isclose(total, 1.0, abs_tol=1e-6)):
        raise ValueError(f"`{name}` must be 0 or more and add to 1, got a sum of {total:g}")
    return law / total


def _shared_chain(steps: Array, law: Array, limit: float, start: float) -> Chain:
    from scipy.sparse import coo_matrix

    width = limit / GRID
    states = np.arange(GRID + 1, dtype=np.float64) * width

    def leads(values: Array) -> Any:
        target = np.maximum(values[:, None] + steps[None, :], 0.0)
        alive = target <= limit * (1 + 1e-12)
        place = np.minimum(target / width, GRID)[alive]
        below = np.minimum(place.astype(np.intp), GRID - 1)
        part = place - below
        rows = np.broadcast_to(np.arange(values.size)[:, None], target.shape)[alive]
        chance = np.broadcast_to(law[None, :], target.shape)[alive]
        weight = np.concatenate((chance * (1.0 - part), chance * part))
        where = (np.concatenate((rows, rows)), np.concatenate((below, below + 1)))
        return coo_matrix((weight, where), shape=(values.size, GRID + 1)).tocsr()

    return Chain(start=np.asarray(leads(np.array([start])).toarray()).ravel(), matrix=leads(states))

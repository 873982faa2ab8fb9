"""How the wear of a lap usually bends: what its past cycles have in common about their own straight lines.

Wear that grows evenly in micrometres, slows down or beds in is no straight line in the logarithm of a reading. What
past cycles share of that is how the lap wears; only what comes on top of it is unusual.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["UsualBend", "bend_directions", "usual_bend", "without_usual_bend"]

Array = NDArray[np.float64]

_EARLY = 8.0  # parts of a usual cycle, in the first of which a lap beds in [our choice]
_LEAST_FREEDOM = 6  # readings more than what is fitted, from which a bend is told [our choice]
_RIDGE = 1e-6  # share of the information by which directions that the past cannot tell apart are held


@dataclass(frozen=True, slots=True)
class UsualBend:
    """The part of the expected reading that is no straight line of age."""

    length: float  # age that past cycles reached in the middle
    line: Array  # (2, 3): of each direction, the straight line it holds over the ages of past cycles
    weights: Array  # (3,), the reading's unit
    cov: Array  # (3, 3): of the weights, for readings of spread 1

    def directions(self, age: Array) -> Array:
        """Directions in which a cycle may bend, the lines in them taken out; shape (n, 3)."""
        return bend_directions(age, self.length) - np.column_stack([np.ones(age.size), age]) @ self.line

    def at(self, age: Array) -> Array:
        """How far the expected reading at each age lies from a straight line."""
        return np.asarray(self.directions(age) @ self.weights, dtype=np.float64)


def bend_directions(age: Array, length: float) -> Array:
    """Directions of a bend: a slowing growth, bedding in, and a growth that speeds up; shape (n, 3).

    Parameters
    ----------
    age : ndarray, shape (n,)
        Faces, not negative.
    length : float
        Age that cycles usually reach, greater than 0.
    """
    return np.column_stack([np.log1p(age), np.exp(-_EARLY * age / length), (age / length) ** 2])


def usual_bend(age: Array, value: Array, cycle: NDArray[Any]) -> UsualBend | None:
    """Tell how past cycles bend together.

    Parameters
    ----------
    age, value, cycle : ndarray, shape (n,)
        Faces of past cycles; `cycle` labels them.

    Returns
    -------
    UsualBend or None
        None where the readings are too few.

    Notes
    -----
    Least squares of all readings on a line of its own for each cycle and one bend for all. Cycles that bend each in a
    way of their own are not told apart from noise. Directions that the readings cannot tell apart get a large variance.
    """
    own = [np.flatnonzero(cycle == name) for name in np.unique(cycle)]
    own = [rows for rows in own if rows.size >= 3 and np.ptp(age[rows]) > 0]
    if not own:
        return None
    rows = np.concatenate(own)
    if rows.size - 2 * len(own) - 3 < _LEAST_FREEDOM:
        return None
    length = float(np.median([age[each].max() for each in own]))
    bent = bend_directions(age, length)
    bases = [np.linalg.qr(np.column_stack([np.ones(each.size), age[each]]))[0] for each in own]

    def about_lines(columns: Array) -> Array:
        return np.concatenate(
            [columns[each] - q @ (q.T @ columns[each]) for each, q in zip(own, bases, strict=True)]
        )  # fmt: skip

    x, y = about_lines(bent), about_lines(value)
    information = x.T @ x
    cov = np.asarray(np.linalg.inv(information + _RIDGE * float(np.trace(information)) * np.eye(3)), dtype=np.float64)
    straight = np.column_stack([np.ones(rows.size), age[rows]])
    line = np.asarray(np.linalg.lstsq(straight, bent[rows], rcond=None)[0], dtype=np.float64)
    return UsualBend(length, line, cov @ (x.T @ y), cov)


def without_usual_bend(age: Array, value: Array, bend: UsualBend | None) -> Array:
    """Take the usual bend out of the readings of one cycle, as far as it is known.

    Parameters
    ----------
    age, value : ndarray, shape (n,)
        The readings of one cycle.
    bend : UsualBend, optional
        None = nothing is known: whatever lies in the directions of a bend is taken out.

    Returns
    -------
    ndarray, shape (n,)
        About its line independent and of one spread, where the cycle bends as usual and the readings are independent:
        along each direction of a bend the residual is scaled by how much less surely it is known than the readings.
    """
    if np.ptp(age) == 0:
        return value
    known = bend if bend is not None else UsualBend(float(age.max()), np.zeros((2, 3)), np.zeros(3), np.zeros((3, 3)))
    straight = np.linalg.qr(np.column_stack([np.ones(age.size), age]))[0]
    across = known.directions(age)
    across = across - straight @ (straight.T @ across)
    left = value - known.at(age)
    u, size, turn = np.linalg.svd(across, full_matrices=False)
    told = size > 1e-9 * max(float(size[0]), 1e-300)
    u, size, turn = u[:, told], size[told], turn[told]
    if bend is None:
        return np.asarray(left - u @ (u.T @ left), dtype=np.float64)
    spread, along = np.linalg.eigh((size[:, None] * turn) @ known.cov @ (turn.T * size))
    u = u @ along
    shrunk = 1.0 - 1.0 / np.sqrt(1.0 + np.maximum(spread, 0.0))
    return np.asarray(left - u @ (shrunk * (u.T @ left)), dtype=np.float64)

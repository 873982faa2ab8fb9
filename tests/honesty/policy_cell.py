"""A made-up lapping cell: cycles that wear, readings on a step, and ways of deciding when to recondition.

Used to check a policy on laps nobody fitted it to. A cycle's flatness starts fresh and grows along its own path; each
face reads that path with noise, on a step. A face over the limit ends the cycle as worn.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.wear.lifetime import Array

__all__ = [
    "CellModel",
    "PolicyOutcome",
    "Readings",
    "fixed_age",
    "make_readings",
    "operators_feel",
    "reading_rule",
    "run_policy",
    "run_to_limit",
    "worn_lives",
]


@dataclass(frozen=True, slots=True)
class CellModel:
    """How the made-up laps wear; lengths in micrometres, ages in faces."""

    limit_um: float = 0.6
    fresh_um: float = 0.15  # median flatness of the first face
    fresh_spread: float = 0.2  # of its logarithm, cycle to cycle
    wear_um: float = 0.008  # median growth per face
    wear_spread: float = 0.4  # of its logarithm, cycle to cycle
    power: float = 1.1  # of age: 1 = straight
    noise: float = 0.25  # of the logarithm of a reading
    step_um: float = 0.147  # half a light band


@dataclass(frozen=True, slots=True)
class Readings:
    """What each face of each cycle would read, were the lap never reconditioned."""

    path_um: Array  # true flatness, shape (cycles, faces)
    read_um: Array  # on the step
    over: NDArray[np.bool_]  # truly over the limit at this face
    model: CellModel


@dataclass(frozen=True, slots=True)
class PolicyOutcome:
    """What a policy did."""

    name: str
    cycles: int
    mean_faces: float
    worn_share: float  # cycles that wore out in use
    cost_per_face: float
    standard_error: float  # of the cost per face


Policy = Callable[[Readings, np.random.Generator], NDArray[np.int64]]


def make_readings(model: CellModel, *, cycles: int, faces: int, rng: np.random.Generator) -> Readings:
    """Draw cycles and what they would read.

    Parameters
    ----------
    model : CellModel
    cycles, faces : int
        Shape of the result; faces long enough for nearly every cycle to wear out.
    rng : numpy.random.Generator

    Returns
    -------
    Readings
    """
    if cycles < 1 or faces < 2:
        raise ValueError(f"`cycles` must be at least 1 and `faces` at least 2, got {cycles} and {faces}")
    start = model.fresh_um * rng.lognormal(0, model.fresh_spread, (cycles, 1))
    growth = model.wear_um * rng.lognormal(0, model.wear_spread, (cycles, 1))
    path = start + growth * np.arange(faces, dtype=np.float64) ** model.power
    seen = path * rng.lognormal(0, model.noise, (cycles, faces))
    read = np.round(seen / model.step_um) * model.step_um if model.step_um > 0 else seen
    return Readings(path, read, seen > model.limit_um, model)


def worn_lives(readings: Readings) -> tuple[Array, Array]:
    """Lives run to the limit: faces up to and with the first one over it; unworn cycles censored at the last face.

    Parameters
    ----------
    readings : Readings

    Returns
    -------
    tuple of ndarray, shape (cycles,)
        Low and high ends, as `spc.wear.lifetime_fit.fit_lifetime` takes them.
    """
    worn = readings.over.any(axis=1)
    life = np.where(worn, readings.over.argmax(axis=1) + 1, readings.over.shape[1]).astype(np.float64)
    return life, np.where(worn, life, np.inf)


def run_to_limit() -> Policy:
    """Never recondition before a face is over the limit."""
    return lambda readings, rng: np.full(len(readings.over), readings.over.shape[1], np.int64)


def fixed_age(age: float) -> Policy:
    """Recondition after so many faces."""
    if not age > 0:
        raise ValueError(f"`age` must be greater than 0 faces, got {age}")
    return lambda readings, rng: np.full(len(readings.over), max(1, round(min(age, 1e9))), np.int64)


def operators_feel(*, bias: float = -0.25, spread: float = 0.35) -> Policy:
    """Recondition when it feels worn: at a share of the true life that is guessed with bias and spread (of its log)."""

    def decide(readings: Readings, rng: np.random.Generator) -> NDArray[np.int64]:
        life, _ = worn_lives(readings)
        guess = life * np.exp(rng.normal(bias, spread, life.size))
        return np.maximum(1, np.round(guess)).astype(np.int64)

    return decide


def reading_rule(share: float, *, faces: int = 3) -> Policy:
    """Recondition when the mean of the last few readings passes a share of the limit."""
    if not 0 < share <= 1:
        raise ValueError(f"`share` must be above 0 and at most 1, got {share}")

    def decide(readings: Readings, rng: np.random.Generator) -> NDArray[np.int64]:
        total = np.cumsum(readings.read_um, axis=1)
        mean = (total[:, faces - 1 :] - np.pad(total, ((0, 0), (1, 0)))[:, : total.shape[1] - faces + 1]) / faces
        past = mean >= share * readings.model.limit_um
        return np.asarray(np.where(past.any(axis=1), past.argmax(axis=1) + faces, total.shape[1]), np.int64)

    return decide


def run_policy(
    name: str, policy: Policy, readings: Readings, *, planned_cost: float, worn_cost: float, rng: np.random.Generator
) -> PolicyOutcome:
    """Cost per face of a policy on cycles it has not seen.

    Parameters
    ----------
    name : str
    policy : callable
        Readings and a generator in, the planned age of every cycle out.
    readings : Readings
    planned_cost, worn_cost : float
        Per cycle.
    rng : numpy.random.Generator

    Returns
    -------
    PolicyOutcome
        A cycle that wears out at or before its planned age costs `worn_cost`.
    """
    life, high = worn_lives(readings)
    planned = policy(readings, rng)
    worn = np.isfinite(high) & (life <= planned)
    faces = np.where(worn, life, np.minimum(planned, readings.over.shape[1]))
    cost = np.where(worn, worn_cost, planned_cost)
    rate = float(cost.sum() / faces.sum())
    error = float(np.std(cost - rate * faces) / faces.mean() / math.sqrt(faces.size))
    return PolicyOutcome(name, faces.size, float(faces.mean()), float(worn.mean()), rate, error)

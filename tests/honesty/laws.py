"""Six laws at median 1 and how a shop reads them on a step: the common ground of the simulations."""

import numpy as np

from spc.model.families import FAMILIES

__all__ = ["LAWS", "read_on_step", "sample", "tail_point", "true_tail"]

# Unconstrained shapes: log sd 0.5, shape 4, shape 1.8, mean 1.5 sd from zero; the others have none.
LAWS = {
    "lognormal": np.log(0.5),
    "gamma": np.log(4.0),
    "Weibull": np.log(1.8),
    "Rayleigh": 0.0,
    "folded normal": np.arcsinh(1.5),
    "half-normal": 0.0,
}


def tail_point(family: str, tail: float) -> float:
    """Value exceeded by a share `tail`, the median being 1."""
    law, shape = FAMILIES[family], np.asarray(LAWS[family])
    return float(law.isf(np.asarray(tail), shape) / law.isf(np.asarray(0.5), shape))


def true_tail(family: str, x: float) -> float:
    """Share beyond x, the median being 1."""
    law, shape = FAMILIES[family], np.asarray(LAWS[family])
    return float(law.sf(np.asarray(x * law.isf(np.asarray(0.5), shape)), shape))


def sample(family: str, size: int, rng: np.random.Generator) -> np.ndarray:
    """Draw true values by numpy's and scipy's own generators, not by the code under test."""
    scale = 1 / float(FAMILIES[family].isf(np.asarray(0.5), np.asarray(LAWS[family])))
    draws = {
        "lognormal": lambda: rng.lognormal(0.0, 0.5, size) / scale,
        "gamma": lambda: rng.gamma(4.0, 0.25, size),
        "Weibull": lambda: rng.weibull(1.8, size),
        "Rayleigh": lambda: rng.rayleigh(1.0, size),
        "folded normal": lambda: np.abs(rng.normal(1.5, 1.0, size)) / np.hypot(1.5, 1.0),
        "half-normal": lambda: np.abs(rng.normal(size=size)),
    }
    return draws[family]() * scale


def read_on_step(x: np.ndarray, step: float) -> tuple[np.ndarray, np.ndarray]:
    """Round to the nearest step and give the interval each reading stands for; step 0 = as it is."""
    if step == 0:
        return x, x
    written = np.round(x / step) * step
    return np.maximum(written - step / 2, 0.0), written + step / 2

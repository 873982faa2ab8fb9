"""NIST Statistical Reference Datasets: certified values, the series and tables they belong to, and correct digits."""

from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
# Univariate: certified mean, standard deviation, first autocorrelation. NumAcc and PiDigits from the stored files; Lew,
# Lottery, Mavro and Michelso from memory, confirmed by exact fractions.
CERTIFIED = {
    "LEW": (-177.435, 277.332168044316, -0.307304800605679),
    "LOTTERY": (518.958715596330, 291.699727470969, -0.120948622967393),
    "MAVRO": (2.001856, 0.000429123454003053, 0.937989183438248),
    "MICHELSO": (299.8524, 0.0790105478190518, 0.535199668621283),
    "NUMACC1": (10000002.0, 1.0, -0.5),
    "NUMACC2": (1.2, 0.1, -0.999),
    "NUMACC3": (1000000.2, 0.1, -0.999),
    "NUMACC4": (10000000.2, 0.1, -0.999),
    "PIDIGITS": (4.5348, 2.86733906028871, -0.00355099287237972),
}
# Digits that the data allow: tenths on a million or ten million, held as doubles, stand a billionth off.
ALLOWED = {"NUMACC3": 9, "NUMACC4": 8}


def digits(found: float, certified: float) -> float:
    """Return the number of correct digits, 15 when exact."""
    return 15.0 if found == certified else float(-np.log10(abs(found - certified) / abs(certified)))


def series(name: str) -> np.ndarray:
    """Return a univariate series; NumAcc4 by its published rule."""
    if name == "NUMACC4":
        return np.concatenate([[10000000.2], np.tile([10000000.1, 10000000.3], 500)])
    return np.loadtxt(HERE / f"strd_univ_{name}.csv", skiprows=1)

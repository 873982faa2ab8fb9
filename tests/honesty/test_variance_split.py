"""Do the 95 % intervals of the variance components hold, and is a component that is not there shown as '0 to u'?

Full size (about 20 minutes): LAPCELL_HONESTY=full python -m pytest tests/honesty/test_variance_split.py
"""

import numpy as np

from spc.model.variance import split_variance
from tests.honesty.table import honesty_size, record

SIZES = {"reduced": 16, "full": 2000}
CASES = [(6, 5, 0.5), (12, 4, 1.0), (8, 6, 0.0)]  # laps, readings of each, lap sd against a reading sd of 1
COLUMNS = ["laps", "readings each", "lap sd", "runs", "lap sd inside %", "reading sd inside %", "shown as 0 to u %"]


def run(size, rng):
    rows = []
    for laps, each, lap_sd in CASES:
        inside, reading, zero = 0, 0, 0
        code = np.repeat(np.arange(laps), each)
        for _ in range(SIZES[size]):
            y = lap_sd * rng.standard_normal(laps)[code] + rng.standard_normal(code.size)
            lap, left = split_variance(y, {"lap": code.tolist()}).components
            inside += lap.low_sd <= lap_sd <= lap.high_sd
            reading += left.low_sd <= 1 <= left.high_sd
            zero += lap.sd == 0
        percent = [round(100 * count / SIZES[size], 1) for count in (inside, reading, zero)]
        rows.append([laps, each, lap_sd, SIZES[size], *percent])
    return rows


def test_intervals_hold():
    rows = run(honesty_size(), np.random.default_rng(6))
    record(
        "variance_split",
        title="Where the spread comes from: do the intervals hold?",
        statement="Nominal 95 % profile intervals hold the true sd of a reading in 93 to 97 % of runs, that between "
        "laps in at least 93 %.",
        columns=COLUMNS,
        rows=rows,
    )
    error = 100 * np.sqrt(0.95 * 0.05 / rows[0][3])
    together = np.mean([(row[4], row[5]) for row in rows], axis=0)
    assert (together >= 93 - 4 * error / len(rows) ** 0.5).all()
    for laps, _, lap_sd, _, inside, reading, zero in rows:
        assert 93 - 4 * error <= inside, laps
        assert 93 - 4 * error <= reading <= min(97 + 4 * error, 100), laps
        if lap_sd == 0:
            assert zero > 30, "half of the estimates of a component that is not there are zero"

"""Does the interval for phi hold what it says, with gaps and cycles, and does Ljung-Box keep its level?"""

import numpy as np

from spc.model.autocorrelation import serial_correlation
from tests.honesty.table import honesty_size, record

COLUMNS = ["phi", "readings", "runs", "interval covers", "band", "Ljung-Box rejects"]


def run(size, rng):
    runs = 2000 if size == "full" else 150
    rows = []
    for phi in (0.0, 0.3, 0.6):
        for n in (30, 100):
            cover = reject = 0
            for _ in range(runs):
                x, t, chain = _cycles(rng, n, phi)
                found = serial_correlation(x, t, chain=chain)
                cover += found.phi_low <= phi <= found.phi_high
                reject += found.lags.p_value < 0.05
            band = 4 * (0.95 * 0.05 / runs) ** 0.5
            rows.append([phi, n, runs, cover / runs, band, reject / runs])
    return rows


def _cycles(rng, n, phi):
    """Faces of cycles of 25, one in ten not measured."""
    steps = int(n / 0.9) + 1
    chain = np.arange(steps) // 25
    x = rng.normal(size=steps)
    for i in range(1, steps):
        if chain[i] == chain[i - 1]:
            x[i] = phi * x[i - 1] + np.sqrt(1 - phi**2) * x[i]
    keep = np.sort(rng.choice(steps, n, replace=False))
    return x[keep], keep.astype(float), chain[keep]


def test_phi_interval_covers_as_stated():
    rows = run(honesty_size(), np.random.default_rng(20261))
    record(
        "autocorrelation",
        title="How much a face takes after the one before",
        statement="The nominal 95 % interval for phi holds it in 94 to 96 % of runs, give or take the band; cycles of "
        "25 faces, one face in ten unmeasured; band = 4 Monte Carlo errors. Ljung-Box, nominal 5 %, rejects at most "
        "8 % at phi 0: its chi-square tail is an approximation in short series, so nothing is decided by it alone; "
        "above, the share is its power.",
        columns=COLUMNS,
        rows=rows,
    )
    together = np.mean([row[3] for row in rows])
    assert abs(together - 0.95) <= rows[0][4] / len(rows) ** 0.5 + 0.01
    for phi, _, runs, cover, band, reject in rows:
        assert abs(cover - 0.95) <= band + 0.01  # the likelihood ratio is allowed one point of small-sample error
        if phi == 0.0:
            assert reject <= 0.08 + 4 * (0.08 * 0.92 / runs) ** 0.5

"""Size and power of the fit test on steps: a good law is rejected as often as stated, a wrong one is found out.

Full size (about 2 minutes): LAPCELL_HONESTY=full pytest tests/honesty/test_interval_fit_check.py
"""

import numpy as np

from spc.model.fit_test import check_fit
from spc.model.interval_fit import fit_intervals
from tests.honesty.laws import LAWS, read_on_step, sample
from tests.honesty.table import honesty_size, record

LEVEL = 0.05


def run(size: str, rng: np.random.Generator) -> list[list[object]]:
    """Rows: true law, fitted law, step, n, sets, share rejected, Monte Carlo error at the level."""
    sets, steps = (300, (0.0, 0.25, 0.5, 1.0)) if size == "full" else (25, (0.5,))
    pairs = [(name, name, 60) for name in LAWS] + [("lognormal", "Weibull", 200), ("half-normal", "lognormal", 200)]
    rows: list[list[object]] = []
    for true, fitted, n in pairs:
        for step in steps:
            rejected = 0
            for _ in range(sets):
                fit = fit_intervals(*read_on_step(sample(true, n, rng), step), family=fitted)
                rejected += check_fit(fit, level=LEVEL, repetitions=100, rng=rng).status == "rejected"
            error = (LEVEL * (1 - LEVEL) / sets) ** 0.5
            rows.append([true, fitted, step, n, sets, round(rejected / sets, 3), round(error, 3)])
    return rows


def test_rejects_good_laws_as_often_as_stated_and_finds_wrong_ones():
    rows = run(honesty_size(), np.random.default_rng(311))
    record(
        "fit_check",
        title="The fit test on stepped readings",
        statement="At level 5 % a right law is rejected in at most 5 % of data sets whatever the step; a wrong one, on "
        "200 faces and steps up to half a median, in more than half.",
        columns=["true law", "law fitted", "step", "faces", "data sets", "share rejected", "Monte Carlo error"],
        rows=rows,
    )
    for true, fitted, step, _, _, share, error in rows:
        if true == fitted:
            assert share <= LEVEL + 4 * error, (true, step)
    wrong = [row[5] for row in rows if row[0] != row[1] and row[2] <= 0.5]
    assert np.mean(wrong) > 0.5

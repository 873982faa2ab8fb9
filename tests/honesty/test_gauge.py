"""Do the intervals of a gauge study hold the truth? Stepped readings, and mean squares of balanced tables.

Full size (about 8 minutes): LAPCELL_HONESTY=full pytest tests/honesty/test_gauge.py
"""

import numpy as np

from spc.capability.gauge_anova import gauge_anova
from spc.capability.gauge_steps import fit_stepped
from tests.honesty.table import honesty_size, record
from tests.spc.capability.gauge_made_up import made_up

STEP = 0.5
SPREADS = (0.05, 0.1, 0.2, 0.3)  # true standard deviations of the reader, in the unit of the step


def stepped(size: str, rng: np.random.Generator) -> list[list[object]]:
    """Rows: true sd, studies, share of intervals that hold it, share of upper ends above it, error, mean upper end."""
    studies = 300 if size == "full" else 5
    rows: list[list[object]] = []
    for sd in SPREADS:
        fits = [fit_stepped(made_up(rng, sd=sd, reader_sd=0.1, step=STEP)) for _ in range(studies)]
        held = float(np.mean([fit.low_um <= sd <= fit.high_um for fit in fits]))
        above = float(np.mean([sd <= fit.high_um for fit in fits]))
        error = (max(held * (1 - held), 0.02) / studies) ** 0.5
        zero = float(np.mean([fit.status == "bounded" for fit in fits]))
        mean_high = float(np.mean([fit.high_um for fit in fits]))
        rows.append(
            [sd, studies, round(held, 3), round(above, 3), round(error, 3), round(zero, 3), round(mean_high, 3)]
        )
    return rows


def mean_squares(size: str, rng: np.random.Generator) -> list[list[object]]:
    """Rows: component, its true sd, studies, share of intervals that hold it, error."""
    studies = 4000 if size == "full" else 300
    faces, readers, repeats = 10, 3, 2
    true = {"face": 1.0, "reader": 0.3, "face by reader": 0.15, "reading to reading": 0.3}
    held = dict.fromkeys(true, 0)
    f = np.repeat(np.arange(faces), readers * repeats)
    r = np.tile(np.repeat(np.arange(readers), repeats), faces)
    for _ in range(studies):
        y = rng.normal(size=faces)[f] + true["reader"] * rng.normal(size=readers)[r]
        y += true["face by reader"] * rng.normal(size=(faces, readers))[f, r] + 0.3 * rng.normal(size=f.size)
        for part in gauge_anova(y, f, r, design="crossed").components:
            held[part.name] += part.low_sd <= true[part.name] <= part.high_sd
    shares = {name: count / studies for name, count in held.items()}
    return [
        [name, true[name], studies, round(share, 3), round((max(share * (1 - share), 0.01) / studies) ** 0.5, 3)]
        for name, share in shares.items()
    ]


def test_bounds_of_stepped_readings_hold():
    rows = stepped(honesty_size(), np.random.default_rng(71))
    record(
        "gauge_steps",
        title="How far one reader's readings differ, seen through a step of 0.5",
        statement="10 lognormal faces (median 1, log sd 0.5), two readers twice each, reader to reader 0.1; nominal "
        "95 %: the interval of the standard deviation holds the truth in at least 90 %, its upper end lies above it "
        "in at least 93 %.",
        columns=["true sd", "studies", "interval holds", "upper end above", "Monte Carlo error", "only a bound",
                 "mean upper end"],
        rows=rows,
    )  # fmt: skip
    for sd, _, held, above, error, *_ in rows:
        assert held >= 0.90 - 4 * error, sd
        assert above >= 0.93 - 4 * error, sd


def test_intervals_of_mean_squares_hold():
    rows = mean_squares(honesty_size(), np.random.default_rng(72))
    record(
        "gauge_mean_squares",
        title="Components of a balanced gauge study by mean squares",
        statement="10 faces, 3 readers, 2 repeats, normal; nominal 95 % intervals hold the truth in 94 to 98 %.",
        columns=["component", "true sd", "studies", "interval holds", "Monte Carlo error"],
        rows=rows,
    )
    for name, _, _, held, error in rows:
        assert 0.94 - 4 * error <= held <= 0.98 + 4 * error, name

"""How far off is the slope of one cycle: its own line, the pool alone, and the two together?

Twelve past cycles, true slope of mean 0.06 and sd 0.02 per face, error sd 0.35. Our own earlier simulation of the ideal
case gave root mean square errors after 4 / 6 / 10 faces of 0.156 / 0.082 / 0.039 for the own line, 0.0218 for the pool,
0.0216 / 0.0215 / 0.0201 together. Full size: LAPCELL_HONESTY=full python -m pytest tests/honesty/test_wear_slope.py
"""

import numpy as np

from spc.wear.path_forecast import future_paths, update_own
from spc.wear.pooled import fit_pooled
from spc.wear.wear_path import wear_path
from tests.honesty.table import honesty_size, record
from tests.spc.wear.shapes import SHAPE

SIZES = {"reduced": (10, 6), "full": (250, 8)}
COLUMNS = ["own faces", "laps", "own line", "pool alone", "together", "own line of wrong sign %"]
MEAN, SPREAD, NOISE = 0.06, 0.02, 0.35


def cycle(rng, faces):
    slope, age = MEAN + SPREAD * rng.standard_normal(), np.arange(1.0, faces + 1)
    y = 0.7 + 0.2 * rng.standard_normal() + slope * age + NOISE * rng.standard_normal(faces)
    return wear_path("cycle", age, y), slope


def run(size, rng):
    groups, laps = SIZES[size]
    error = {faces: [] for faces in (4, 6, 10)}
    for _ in range(groups):
        pooled = fit_pooled([cycle(rng, 25)[0] for _ in range(12)], shapes=[SHAPE["linear"]], rng=rng)
        scale, lines = pooled.shapes[0].scale, pooled.shapes[0].lines
        pool = float(lines.mean[:, 1].mean()) * scale.reading_range / scale.age_range
        for faces, rows in error.items():
            for _ in range(laps):
                own, slope = cycle(rng, faces)
                line = float(np.polyfit(own.age, own.low, 1)[0])
                future = future_paths(update_own(scale, lines, own), np.array([100.0, 200.0]), draws=300, rng=rng)
                ahead = scale.reading_back(future.path, float("nan"))
                together = float(np.mean(ahead[:, 1] - ahead[:, 0]) / 100)
                rows.append((line - slope, pool - slope, together - slope, line < 0))
    out = []
    for faces, rows in error.items():
        table = np.array(rows, dtype=float)
        rms = np.sqrt((table[:, :3] ** 2).mean(axis=0))
        out.append([faces, len(rows), *(round(float(v), 4) for v in rms), round(100 * float(table[:, 3].mean()), 1)])
    return out


def test_together_is_never_worse_than_either():
    rows = run(honesty_size(), np.random.default_rng(77))
    record(
        "wear_slope",
        title="Slope of one cycle: own line, pool, and both",
        statement="Root mean square error of the slope per face; together is no worse than the better of the two, "
        "within four Monte Carlo errors.",
        columns=COLUMNS,
        rows=rows,
    )
    for (faces, laps, own, pool, together, _), ideal in zip(rows, (0.156, 0.082, 0.039), strict=True):
        margin = 4 / np.sqrt(2 * laps)  # relative standard error of a root mean square, four times
        assert abs(own / ideal - 1) < margin, faces
        assert abs(pool / 0.0218 - 1) < margin + 0.05, faces
        assert together < min(own, pool) * (1 + margin / 2), faces
        assert abs(together / {4: 0.0216, 6: 0.0215, 10: 0.0201}[faces] - 1) < margin + 0.1, faces

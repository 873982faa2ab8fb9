"""Do forecasts of real, openly published wear hold: each unit cut, and predicted from the other units of its set?

The milling set is part of the tests. The others are not ours to copy (package SMRD, GPL); the table is made where a
folder holds them: LAPCELL_OPEN_DATA=folder LAPCELL_HONESTY=full python -m pytest tests/honesty/test_open_forecasts.py
(about a minute). CSV exports of the package's `metalwear`, `alloya` and `gaaslaser` with the original column names,
under the names in `SETS`; units that the table leaves out are left out here.
"""

import json
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from spc.commands.forecast import command
from spc.wear.backtest import interval_score
from tests.honesty.mixed_model import LOG, LOG_LOG, STRAIGHT, Scale, Unit, crossing, forecast
from tests.honesty.table import RESULTS, honesty_size, record

SOURCES = Path(__file__).parents[1] / "sources"
SHARES = (0.5, 0.75)
STATEMENT = (
    "Half of the units of four published sets (milling inserts to 0.45 mm of flank wear; sliding metal to 6, 14 or "
    "30 micrometres by load; fatigue cracks to 1.25 in; lasers to 6 % more current), each cut at 50 and 75 % of its "
    "life and predicted from the other units by `lapcell forecast --backtest 50,75`: of all forecasts 85 to 95 % hold "
    "the truth within the nominal 90 % range. Beside them a mixed model of straight lines with its spreads taken as "
    "known, on the scale that suits the set best, chosen with hindsight: its ranges hold less often in all, and their "
    "interval score (Gneiting and Raftery 2007; smaller is better) is worse in most rows. A row alone is too few "
    "units to tell a coverage."
)
COLUMNS = [
    "set", "units", "cut at %", "forecasts", "clock", "middle error", "of the mixed model", "inside",
    "inside, mixed model", "interval score", "score, mixed model", "middle width", "scale of the mixed model",
]  # fmt: skip


@dataclass(frozen=True)
class Open:
    words: str
    file: str
    unit: str
    clock: str
    wear: str
    limit: str  # as `lapcell forecast` takes it
    scale: Scale
    clock_unit: str
    units: tuple[int, ...]
    covariates: tuple[str, ...] = ()
    by: str = ""

    def limit_of(self, rows):
        if not self.by:
            return float(self.limit)
        limits = dict(pair.split("=") for pair in self.limit.partition(":")[2].split(","))
        return float(limits[str(rows[self.by].iloc[0])])


SETS = {
    "milling": Open(
        "milling inserts", "nasa_milling.csv", "case", "time", "VB", "0.45", STRAIGHT, "min", tuple(range(1, 9)),
        ("DOC", "feed", "material"),
    ),
    "sliding wear": Open(
        "sliding metal", "sliding_metal_wear.csv", "unit", "cycles", "microns", "grams:10=6,50=14,100=30", LOG_LOG,
        "cycles", (101, 102, 105, 106, 109, 110), ("grams",), "grams",
    ),
    "crack": Open(
        "fatigue cracks", "fatigue_crack_alloy_a.csv", "specimen", "megacycles", "inches", "1.25", LOG, "megacycles",
        tuple(range(1, 22, 2)),
    ),
    "laser": Open(
        "lasers", "gaas_laser.csv", "unit", "hours", "increase", "6", STRAIGHT, "h", tuple(range(101, 116, 2)),
    ),
}  # fmt: skip


def found(name):
    """The file of a set: the tests' own, or in the folder that LAPCELL_OPEN_DATA names; None = not there."""
    folder = os.environ.get("LAPCELL_OPEN_DATA", "")
    here = [SOURCES / SETS[name].file, *([Path(folder) / SETS[name].file] if folder else [])]
    return next((path for path in here if path.is_file()), None)


def told(asked, file):
    """What the command answers of a file, by share."""
    options = ["--unit", asked.unit, "--clock", asked.clock, "--wear", asked.wear, "--limit", asked.limit]
    options += [word for name in asked.covariates for word in ("--covariate", name)]
    answer = CliRunner().invoke(command, [str(file), *options, "--backtest", "50,75", "--json"])
    assert answer.exit_code in (0, 1), answer.output
    return json.loads(answer.stdout)["backtest"]


def shortcut(asked, data):
    """What the mixed model answers: per share errors, inside, interval scores, one per unit that crosses."""
    groups = [rows for _, rows in data.dropna(subset=[asked.wear]).groupby(asked.unit)]
    units = [Unit(g[asked.clock].to_numpy(float), g[asked.wear].to_numpy(float) / asked.limit_of(g)) for g in groups]
    for share in SHARES:
        rows = []
        for place, unit in enumerate(units):
            truth = crossing(unit)
            if np.isfinite(truth):
                low, middle, high = forecast(units, place, share, asked.scale, np.random.default_rng(place))
                inside = low <= truth <= high
                rows.append((abs(middle - truth), inside, interval_score(low, high, truth, level=0.9)))
        yield tuple(np.array(column, float) for column in zip(*rows, strict=True))


def run(name, folder):
    asked = SETS[name]
    data = pd.read_csv(found(name))
    data = data[data[asked.unit].isin(asked.units)]
    assert data[asked.unit].nunique() == len(asked.units)
    data.to_csv(file := folder / asked.file, index=False)
    for held, (errors, inside, scores) in zip(told(asked, file), shortcut(asked, data), strict=True):
        assert held["predicted"] == errors.size
        yield [
            asked.words, len(asked.units), round(100 * held["share_of_life"]), held["predicted"], asked.clock_unit,
            *(float(f"{v:.3g}") for v in (held["median_abs_error"], np.median(errors))),
            held["covered"], int(inside.sum()),
            *(float(f"{v:.3g}") for v in (held["mean_interval_score"], scores.mean(), held["median_width"])),
            asked.scale.words,
        ]  # fmt: skip


def keep(rows):
    title = "Real wear: forecasts of published sets, held against what came"
    record("open_forecasts", title=title, statement=STATEMENT, columns=COLUMNS, rows=rows)


def kept_rows():
    return json.loads((RESULTS / "open_forecasts.json").read_text(encoding="utf-8"))["rows"]


def test_milling_holds_oftener_than_by_the_mixed_model_and_as_the_table_says(tmp_path):
    half, later = rows = list(run("milling", tmp_path))
    assert half[3] == later[3] == 7  # one insert has a single reading
    assert half[5] < half[6], half
    assert half[7] >= half[8] and later[7] >= later[8]
    # A mixed model fitted by statsmodels to the same cut paths errs by 3.6 and 2.6 min, straight lines in time.
    assert half[5] < 3.6 and later[5] < 2.6
    assert half[7] >= 6 and later[7] >= 5 and later[11] < half[11]
    if honesty_size() == "full":
        return  # the table is written below
    keep(rows)
    for row, said in zip(rows, kept_rows()[:2], strict=True):
        assert [row[at] for at in (0, 1, 2, 3, 7)] == [said[at] for at in (0, 1, 2, 3, 7)]
        assert row[5] == pytest.approx(said[5], rel=0.1) and row[9] == pytest.approx(said[9], rel=0.1)


@pytest.mark.skipif(
    honesty_size() == "full" and any(found(name) is None for name in SETS),
    reason="three of the four sets are not ours to copy: this module says where they are from",
)
def test_published_wear_is_foretold_as_said(tmp_path):
    if honesty_size() == "full":
        keep(rows := [row for name in SETS for row in run(name, tmp_path)])
    else:
        rows = kept_rows()
    forecasts, inside = (sum(row[column] for row in rows) for column in (3, 7))
    assert 0.85 <= inside / forecasts <= 0.95, rows
    assert inside > sum(row[8] for row in rows), rows
    assert sum(row[9] < row[10] for row in rows) > len(rows) / 2, rows

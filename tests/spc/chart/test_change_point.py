import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import ttest_ind
from statsmodels.api import OLS

from spc.chart.change_point import change_point, least_p_value, location_drop
from spc.chart.change_scan import change_null, change_scan

SOURCES = Path(__file__).parents[2] / "sources"


def nile():
    lines = [line for line in (SOURCES / "nile.csv").read_text().splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    return np.array([int(r["year"]) for r in rows]), np.array([float(r["volume"]) for r in rows])


def test_nile_falls_after_1898():
    # Cobb (1978), Biometrika 65(2): the flow falls after 1898, so 1899 is the first reading of the new level
    # (year from memory; also the year found by later authors).
    year, volume = nile()
    search = change_point(volume)
    assert search.status == "change"
    (found,) = search.changes
    assert found.kind == "mean"
    assert year[found.start] == 1899
    assert 1899 in year[found.set_start]
    assert year[found.set_start].min() >= 1895
    assert year[found.set_start].max() <= 1902
    assert found.before == pytest.approx(1097.75, abs=0.005)  # means of 1871-1898 and 1899-1970
    assert found.after == pytest.approx(849.97, abs=0.005)


@pytest.mark.parametrize("degree", [0, 1])
@pytest.mark.parametrize("kind", ["mean", "slope", "curvature"])
def test_scan_equals_least_squares_fit_of_every_start(kind, degree):  # second way: a full fit per start
    rng = np.random.default_rng(12)
    y, t = rng.normal(size=40), np.sort(rng.random(40))
    scan = change_scan(y, t, kind=kind, degree=degree, min_segment=2)
    base = np.vander(t, degree + 1)

    def rss(design):
        beta = np.linalg.lstsq(design, y, rcond=None)[0]
        return np.sum((y - design @ beta) ** 2)

    for start in [0] if kind == "curvature" else [2, 7, 20, 33]:
        step = (np.arange(40) >= start).astype(float)
        added = {"mean": step, "slope": np.maximum(0, t - t[start - 1]), "curvature": t**2}[kind]
        expected = 40 * np.log(rss(base) / rss(np.column_stack([base, added])))
        assert scan[start] == pytest.approx(expected, abs=1e-8)


def test_spread_scan_equals_two_variances():
    y = np.random.default_rng(13).normal(size=40)
    scan = change_scan(y, np.linspace(0, 1, 40), kind="spread", degree=0, min_segment=2)
    e = y - y.mean()
    expected = 40 * np.log(np.mean(e**2)) - 15 * np.log(np.mean(e[:15] ** 2)) - 25 * np.log(np.mean(e[15:] ** 2))
    assert scan[15] == pytest.approx(expected, abs=1e-9)


def test_the_place_among_the_readings_is_left_out_where_it_is_told_in_faces():
    y = np.random.default_rng(15).normal(size=80) + 2.5 * (np.arange(80) >= 50)
    search = change_point(y)
    assert " of 80, 95% sure of the place (noise" in search.sentence
    assert "the level shifted (" in search.unplaced and " sd), 95% sure of the place (noise" in search.unplaced
    assert "reading" not in search.unplaced
    none = change_point(np.random.default_rng(15).normal(size=80))
    assert none.status == "none" and none.unplaced == none.sentence


def test_names_what_changed():
    rng = np.random.default_rng(15)
    i = np.arange(80)
    noise = rng.normal(size=80)
    assert change_point(noise + 2.5 * (i >= 50)).changes[0].kind == "mean"
    assert change_point(noise + 0.2 * np.maximum(0, i - 40)).changes[0].kind == "slope"
    assert change_point(noise * np.where(i >= 40, 4, 1)).changes[0].kind == "spread"
    bow = change_point(noise + 20 * (i / 80) ** 2 - 3 * i / 80, before="line", kinds=("mean", "slope", "curvature"))
    assert bow.changes[0].kind == "curvature"
    assert bow.changes[0].set_start.size == 0


def test_location_drop_is_the_law_of_the_two_sided_maximum():
    # Siegmund (1988): P(drop <= c) = (1 - exp(-c/2))^2; closed form 7.353 at 95 %, 2 decimals by hand.
    assert location_drop("mean", 0.95) == pytest.approx(7.353, abs=0.005)
    assert location_drop("slope", 0.95) == pytest.approx(5.991, abs=0.0005)  # chi-square, 2 df, any table


@pytest.mark.parametrize("scale", [1e-12, 1e9])
def test_scale_changes_nothing(scale):
    x = np.random.default_rng(16).normal(size=50)
    x[30:] += 3
    base, scaled = change_point(x), change_point(x * scale)
    assert scaled.changes[0].set_start.tolist() == base.changes[0].set_start.tolist()
    assert scaled.changes[0].after == pytest.approx(base.changes[0].after * scale)


def test_same_readings_same_answer():
    x = np.random.default_rng(17).normal(size=50)
    first = change_point(x).p_value
    change_null.__globals__["_even_null"].cache_clear()
    assert change_point(x).p_value == first


@pytest.mark.parametrize(
    ("values", "words"),
    [([], "from 0 readings"), ([1.0], "from 1 readings"), ([0.5] * 30, "equal"), (np.zeros(5001), "at most 5,000")],
)
def test_says_so_when_nothing_can_be_said(values, words):
    search = change_point(values)
    assert search.status == "refused"
    assert words in search.sentence


def test_two_levels_without_noise():
    found = change_point(np.repeat([1.0, 2.0], 10), kinds=("mean",)).changes[0]
    assert (found.start, found.before, found.after) == (
        10,
        pytest.approx(1.0, rel=1e-12),
        pytest.approx(2.0, rel=1e-12),
    )
    assert found.set_start.tolist() == [10]


def test_refuses_bad_arguments():
    with pytest.raises(ValueError, match="`place` must not decrease"):
        change_point(np.arange(10.0), np.arange(10.0)[::-1])
    with pytest.raises(ValueError, match="`kinds` must be some of"):
        change_point(np.arange(10.0), kinds=("colour",))
    with pytest.raises(ValueError, match="`values` and `place` must be finite"):
        change_point([1.0, np.nan] * 6)


def test_a_kink_without_any_scatter_is_told_without_a_figure():
    x = np.concatenate([np.zeros(3), np.arange(77.0)]) * 1e150
    found = change_point(x, kinds=("slope",))
    assert "inf" not in found.sentence and "nan" not in found.sentence


def test_the_least_p_value_is_students_at_the_best_place():  # second way: scipy's t test, statsmodels' regression
    x = np.random.default_rng(71).normal(size=30) + 0.8 * (np.arange(30) >= 18)
    by_t = min(ttest_ind(x[:k], x[k:]).pvalue for k in range(2, 29))
    assert least_p_value(x, kinds=("mean",)) == pytest.approx(by_t, rel=1e-9)
    t = np.arange(30.0)
    bow = OLS(x, np.column_stack([np.ones(30), t, t**2])).fit().pvalues[2]
    assert least_p_value(x, kinds=("curvature",), before="line") == pytest.approx(bow, rel=1e-6)
    assert least_p_value(x[:5]) == 1.0  # too few for a search


def test_no_search_has_a_smaller_p_value_than_the_least():
    rng = np.random.default_rng(72)
    for size in (0.0, 0.7, 1.4):
        x = rng.normal(size=25) + size * (np.arange(25) >= 12)
        found = change_point(x, kinds=("mean", "slope"), false_detection=0.5)
        assert least_p_value(x) <= found.p_value

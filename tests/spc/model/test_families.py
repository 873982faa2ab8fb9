import csv
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from spc.model.families import FAMILIES, family_named, log_cell_probability

SOURCES = Path(__file__).parents[2] / "sources"

# Each law at unit scale as scipy.stats writes it: the second route for every function.
SCIPY = {
    "lognormal": lambda t: stats.lognorm(np.exp(t)),
    "gamma": lambda t: stats.gamma(np.exp(t), scale=np.exp(-t)),
    "Weibull": lambda t: stats.weibull_min(np.exp(t)),
    "Rayleigh": lambda t: stats.rayleigh(),
    "folded normal": lambda t: stats.foldnorm(abs(np.sinh(t)), scale=1 / np.cosh(t)),
    "half-normal": lambda t: stats.halfnorm(),
}
Z = np.array([1e-3, 0.05, 0.4, 0.9, 1.0, 1.3, 2.0, 4.0])


@pytest.mark.parametrize("name", SCIPY)
@pytest.mark.parametrize("shape", [-0.7, 0.0, 0.4, 1.2])
def test_agrees_with_scipy(name, shape):
    law, other, t = FAMILIES[name], SCIPY[name](shape), np.asarray(shape)
    assert law.cdf(Z, t) == pytest.approx(other.cdf(Z), rel=1e-9, abs=1e-15)
    assert law.sf(Z, t) == pytest.approx(other.sf(Z), rel=1e-9, abs=1e-300)
    assert law.log_density(Z, t) == pytest.approx(other.logpdf(Z), rel=1e-9, abs=1e-9)
    p = np.array([1e-9, 1e-3, 0.2, 0.5, 0.9])
    assert law.isf(p, t) == pytest.approx(other.isf(p), rel=1e-7)
    assert law.cdf(law.ppf(p, t), t) == pytest.approx(p, rel=1e-9)
    assert law.sf(law.isf(p, t), t) == pytest.approx(p, rel=1e-9)


def test_gamma_density_stays_exact_where_its_terms_cancel():
    # a = 1e8 is normal to a part in 1e4: second route by Stirling-free normal limit.
    a = 1e8
    z = 1 + np.array([-2.0, 0.0, 2.0]) / np.sqrt(a)
    normal = stats.norm(1, 1 / np.sqrt(a)).logpdf(z)
    assert FAMILIES["gamma"].log_density(z, np.log(a)) == pytest.approx(normal, abs=1e-3)


@pytest.mark.parametrize("name", SCIPY)
def test_cells_add_up_and_stay_finite_far_out(name):
    law, edges = FAMILIES[name], np.array([0.0, 0.5, 1.0, 3.0, 1e4, np.inf])
    low_at, high_at = np.arange(5), np.arange(1, 6)
    with np.errstate(all="ignore"):
        log_p = log_cell_probability(law, edges, low_at, high_at, np.asarray(0.3))
    assert np.isfinite(log_p).all()
    assert np.exp(log_p).sum() == pytest.approx(1.0, abs=1e-12)
    assert log_p[-1] < -20


def test_naive_limits_on_skewed_laws_match_the_noted_rates():
    with (SOURCES / "naive_limits.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    for row in rows:
        law = FAMILIES[row["law"]]
        shape = float(np.log(float(row["shape"]))) if row["shape"] else 0.0
        other = SCIPY[row["law"]](shape)
        mean, sd, t = other.mean(), other.std(), np.asarray(shape)
        assert law.sf(np.asarray(mean + 3 * sd), t) == pytest.approx(float(row["beyond_three_sd"]), abs=5e-6)
        if row["beyond_ppm_at_133"]:
            limit = mean + 3 * 1.33 * sd
            mid, top = law.isf(np.asarray(0.5), t), law.isf(np.asarray(0.00135), t)
            assert (limit - mid) / (top - mid) == pytest.approx(float(row["quantile_index_at_133"]), abs=0.006)
            assert 1e6 * law.sf(np.asarray(limit), t) == pytest.approx(float(row["beyond_ppm_at_133"]), rel=0.01)


def test_refuses_an_unknown_family():
    with pytest.raises(ValueError, match=r"`family` must be one of lognormal, .*, got 'normal'"):
        family_named("normal")

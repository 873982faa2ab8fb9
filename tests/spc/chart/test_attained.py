import numpy as np
import pytest
from scipy.stats import norm

from spc.chart.attained import attained_rate, guaranteed_width


@pytest.mark.parametrize("n", [20, 50, 300])
@pytest.mark.parametrize("sides", ["both", "upper"])
def test_agrees_with_simulated_baselines(n, sides):
    rng = np.random.default_rng(n)
    runs = 20_000
    x = rng.normal(size=(runs, n))
    centre, sigma = x.mean(axis=1), np.abs(np.diff(x, axis=1)).mean(axis=1) * np.sqrt(np.pi) / 2
    rates = norm.sf(centre + 3 * sigma) + (norm.cdf(centre - 3 * sigma) if sides == "both" else 0)
    found = attained_rate(n, sides=sides)
    assert found.average == pytest.approx(rates.mean(), rel=0.06)
    assert found.low_10 == pytest.approx(np.quantile(rates, 0.1), rel=0.09)
    assert found.median == pytest.approx(np.quantile(rates, 0.5), rel=0.06)
    assert found.high_90 == pytest.approx(np.quantile(rates, 0.9), rel=0.06)


@pytest.mark.parametrize(("n", "each"), [(24, 3), (24, 2), (10, 2)])
def test_many_breaks_in_the_baseline_cost_what_is_counted(n, each):
    rng, runs = np.random.default_rng(n + each), 20_000
    x = rng.normal(size=(runs, n))
    local = np.abs(np.diff(x, axis=1))[:, np.arange(1, n) % each != 0]  # no difference across a stretch of so many
    sigma = local.mean(axis=1) * np.sqrt(np.pi) / 2
    rates = norm.sf(x.mean(axis=1) + 3 * sigma) + norm.cdf(x.mean(axis=1) - 3 * sigma)
    found = attained_rate(n, stretches=-(-n // each))
    assert found.average == pytest.approx(rates.mean(), rel=0.06)
    assert found.high_90 == pytest.approx(np.quantile(rates, 0.9), rel=0.06)
    if each == 2:
        assert found.average > 1.04 * attained_rate(n, stretches=n // 3).average


def test_words_for_a_short_baseline():
    words = attained_rate(24).words
    assert words.startswith("limits from 24 readings: the true false-alarm rate lies between 1 in 40 and 1 in 4,280")
    assert attained_rate(5000).average == pytest.approx(0.0027, rel=0.05)


def test_guaranteed_width_keeps_its_promise():
    rng = np.random.default_rng(2)
    n, runs = 40, 20_000
    width = guaranteed_width(n)
    x = rng.normal(size=(runs, n))
    centre, sigma = x.mean(axis=1), np.abs(np.diff(x, axis=1)).mean(axis=1) * np.sqrt(np.pi) / 2
    rates = norm.sf(centre + width * sigma) + norm.cdf(centre - width * sigma)
    assert np.mean(rates <= 1.2 * 0.0026998) == pytest.approx(0.9, abs=0.015)
    assert guaranteed_width(4000) < width


def test_refusals():
    with pytest.raises(ValueError, match="`baseline` must be a whole number of at least 5, got 3"):
        attained_rate(3)
    with pytest.raises(ValueError, match="`assurance` must be below 1"):
        guaranteed_width(20, assurance=1.0)

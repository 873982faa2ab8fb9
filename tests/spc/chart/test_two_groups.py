"""Both tests against scipy.stats (second route), by hand, and at their edges."""

import numpy as np
import pytest
from scipy.stats import fisher_exact, mannwhitneyu

from spc.chart.two_groups import fisher_exact_p, rank_sum_p


@pytest.mark.parametrize(("n", "m"), [(1, 1), (3, 8), (8, 3), (6, 40), (15, 15), (40, 25)])
def test_rank_sum_is_that_of_scipy(n, m):
    rng = np.random.default_rng([n, m])
    for shift in (0.0, 0.4, 1.5):
        a, b = rng.normal(size=n) + shift, rng.normal(size=m)
        assert rank_sum_p(a, b, exact=True) == pytest.approx(mannwhitneyu(a, b, method="exact").pvalue, rel=1e-9)
        assert rank_sum_p(a, b, exact=False) == pytest.approx(mannwhitneyu(a, b, method="asymptotic").pvalue, rel=1e-9)
        a, b = np.round(2 * a) / 2, np.round(2 * b) / 2  # ties, as half bands give
        if np.ptp(np.concatenate((a, b))):
            expected = mannwhitneyu(a, b, method="asymptotic").pvalue
            assert rank_sum_p(a, b, exact=False) == pytest.approx(expected, rel=1e-9)


def test_rank_sum_by_hand():
    # Three against two wholly apart: 2 of the 10 orders are as uneven as this.
    assert rank_sum_p([3, 4, 5], [1, 2], exact=True) == pytest.approx(0.2)
    assert rank_sum_p([1.0, 1.0], [1.0, 1.0], exact=False) == 1.0


def test_fisher_is_that_of_scipy():
    rng = np.random.default_rng(5)
    for _ in range(60):
        of, other = (int(v) for v in rng.integers(0, 60, size=2))
        a, b = int(rng.integers(0, of + 1)), int(rng.integers(0, other + 1))
        expected = fisher_exact(np.array([[a, of - a], [b, other - b]])).pvalue
        assert fisher_exact_p(a, of, b, other) == pytest.approx(expected, rel=1e-7), (a, of, b, other)
    assert fisher_exact_p(900, 1000, 100, 900) < 1e-200  # no overflow at many faces


def test_fisher_of_the_lady_tasting_tea():
    # Fisher (1935), The Design of Experiments: 3 of 4 cups right, one-sided 17/70; two-sided 34/70 by symmetry.
    assert fisher_exact_p(3, 4, 1, 4) == pytest.approx(34 / 70)


def test_what_cannot_be_asked():
    with pytest.raises(ValueError, match="at least one value each, got 0 and 1"):
        rank_sum_p([], [1.0], exact=False)
    with pytest.raises(ValueError, match="got 5 of 4, 0 of 1"):
        fisher_exact_p(5, 4, 0, 1)

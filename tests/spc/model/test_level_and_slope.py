"""Restricted likelihood by moments: against published estimates, a mixed model of statsmodels, and dense algebra."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams

from spc.model.level_and_slope import restricted_log_likelihood, weighed

SOURCES = Path(__file__).parents[2] / "sources"


def total(groups, spreads, **more):
    """Sum of the groups, each a design (n, p + 1 + q), under each row of spreads."""
    first, *others = (weighed(group[None], spreads, **more) for group in groups)
    for other in others:
        first += other
    return first


def test_the_likelihood_is_greatest_where_dyestuff_is_published_to_have_its_variances():
    """Estimates: tests/sources/dyestuff.json; REML criterion 319.6543: documentation of lme4, from memory."""
    data = pd.read_csv(SOURCES / "dyestuff.csv")
    batches = [g.to_numpy() for _, g in data.groupby("Batch")["Yield"]]
    groups = [np.column_stack([np.ones(len(y)), y, np.ones(len(y))]) for y in batches]
    ratios = np.linspace(0.5, 1.2, 7001)
    found = total(groups, ratios[:, None])
    at = int(np.argmax(restricted_log_likelihood(found)[:, 0]))
    means, mixed, squares = found.inner[at, 0, 0, 0], found.inner[at, 0, 0, 1], found.inner[at, 0, 1, 1]
    residual = (squares - mixed**2 / means) / 29
    assert ratios[at] ** 2 * residual == pytest.approx(1764.05, rel=1e-3)
    assert residual == pytest.approx(2451.25, rel=1e-3)
    criterion = -2 * restricted_log_likelihood(found)[at, 0] + 29 * (1 + np.log(2 * np.pi / 29))
    assert criterion == pytest.approx(319.6543, abs=2e-4)


def drawn(seed, groups=8):
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(groups):
        t = np.sort(rng.uniform(0, 1, rng.integers(6, 15)))
        y = 1 + t + 0.5 * rng.standard_normal() + 0.8 * t * rng.standard_normal() + 0.3 * rng.standard_normal(t.size)
        out.append(np.column_stack([np.ones(t.size), t, y, np.ones(t.size), t]))
    return out


def test_differences_of_it_are_those_of_a_mixed_model_of_statsmodels():
    groups, spreads = drawn(1), np.array([[0.5, 0.3], [1.5, 2.5], [2.0, 0.1]])
    found = restricted_log_likelihood(total(groups, spreads))[:, 0]
    rows, of = np.concatenate(groups), np.repeat(np.arange(len(groups)), [len(group) for group in groups])
    model = MixedLM(rows[:, 2], rows[:, :2], of, exog_re=rows[:, 3:])
    model.reml, model.cov_pen, model.fe_pen = True, None, None
    theirs = []
    for spread in spreads:
        params = MixedLMParams.from_components(fe_params=np.zeros(2), cov_re=np.diag(spread**2))
        theirs.append(model.loglike(params, profile_fe=True))
    assert np.diff(found) == pytest.approx(np.diff(theirs), rel=1e-6)


def test_it_is_what_dense_matrices_say_and_cases_add():
    groups, spreads = drawn(2, 5), np.array([[0.0, 0.0], [0.7, 1.9]])
    found = restricted_log_likelihood(total(groups, spreads))[:, 0]
    for spread, said in zip(spreads, found, strict=True):
        log_det, a, b, q = 0.0, np.zeros((2, 2)), np.zeros(2), 0.0
        for group in groups:
            x, y, z = group[:, :2], group[:, 2], group[:, 3:]
            covariance = np.eye(len(y)) + z @ np.diag(spread**2) @ z.T
            log_det += np.linalg.slogdet(covariance)[1]
            weight = np.linalg.inv(covariance)
            a, b, q = a + x.T @ weight @ x, b + x.T @ weight @ y, q + y @ weight @ y
        freedom = sum(len(group) for group in groups) - 2
        left = q - b @ np.linalg.solve(a, b)
        dense = -(log_det + np.linalg.slogdet(a)[1] + freedom * np.log(left)) / 2
        assert said == pytest.approx(dense, rel=1e-7)
    cases = np.stack([groups[0], 2 * groups[0]])
    assert (total(groups[1:], spreads) + weighed(cases, spreads)).inner.shape == (2, 2, 3, 3)


def test_a_reading_that_counts_half_is_half_a_reading():
    groups = drawn(3, 4)
    twice = [np.repeat(group, 2, axis=0) for group in groups]
    spreads = np.array([[0.4, 0.8]])
    whole, halves = total(groups, spreads), total(twice, spreads, counts=0.5)
    assert halves.readings == whole.readings
    assert halves.inner == pytest.approx(whole.inner) and halves.log_det == pytest.approx(whole.log_det)

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import multivariate_t

from spc.wear.path_evidence import line_evidence, log_marginal
from spc.wear.path_gram import path_gram
from spc.wear.path_posterior import _BOX, _starts, _top, draw_lines, log_prior
from spc.wear.path_reading import columns_of, first_working
from spc.wear.path_scale import fit_scale, stack_paths
from spc.wear.wear_path import wear_path
from tests.honesty.wear_cell import SCENES, past_cycles
from tests.spc.wear.shapes import SHAPE


def on_their_scale(spreads):
    """Scatter and both spreads as sd: far down on a log scale all are one, no spread."""
    return np.column_stack([np.exp(spreads[:, 0]), spreads[:, 1], np.exp(spreads[:, 2:4]), spreads[:, 4]])


def group(scene, seed):
    past = past_cycles(SCENES[scene], np.random.default_rng(seed))
    scale = fit_scale(past, SHAPE["linear"], relative=False, with_covariates=False)
    stack = stack_paths(past, scale)
    working, multiplier = first_working(stack)
    return path_gram(stack.age_scaled, columns_of(stack, working, 0), multiplier, stack.count), stack.design, scale


@pytest.mark.parametrize("scene", ["sparse", "usual", "wandering", "half-band steps"])
def test_the_highest_point_is_no_lower_than_the_simplex_finds(scene):
    # Second route: scipy's downhill simplex, which takes no slopes; started where ours ended and at our start.
    gram, design, scale = group(scene, 25)
    prior = scale.prior_precision()

    def log_posterior(points):
        evidence = line_evidence(np.clip(points, *_BOX), gram, design)
        return log_marginal(evidence, prior)[0] + log_prior(points)

    starts = _starts(gram)
    top, covariance = _top(log_posterior, starts)
    for begin in (top, starts[6]):
        found = minimize(lambda x: -log_posterior(x[None])[0], begin, method="Nelder-Mead", options={"maxfev": 4000})
        assert log_posterior(top[None])[0] > -found.fun - 0.05
    assert (np.linalg.eigvalsh(covariance) > 0).all()


@pytest.mark.parametrize("scene", ["sparse", "usual", "heavy tails"])
def test_drawn_spreads_are_those_of_plain_importance_sampling(scene):
    # Second route: 60,000 points of one wide Student-t, no adapting, about the first draws' own middle.
    gram, design, scale = group(scene, 21)
    prior = scale.prior_precision()
    first = draw_lines(gram, design, prior, draws=500, rng=np.random.default_rng(1))
    drawn = [
        draw_lines(gram, design, prior, draws=500, near=near, rng=np.random.default_rng(seed)).spreads
        for seed in range(2, 10)
        for near in (None, first)
    ]
    wide = multivariate_t(first.spreads.mean(axis=0), 2.5 * np.cov(first.spreads.T), df=3, seed=5)
    points = wide.rvs(60_000)
    evidence = [
        log_marginal(line_evidence(part, gram, design), prior)[0] for part in np.array_split(np.clip(points, *_BOX), 30)
    ]
    logs = np.concatenate(evidence) + log_prior(points) - wide.logpdf(points)
    weight = np.exp(logs - logs.max())
    weight /= weight.sum()
    assert 1 / (weight**2).sum() > 5_000
    points = on_their_scale(points)
    mean = weight @ points
    sd = np.sqrt(weight @ (points - mean) ** 2)
    drawn = [on_their_scale(d) for d in drawn]
    ours = np.array([d.mean(axis=0) for d in drawn])
    error = np.sqrt(ours.var(axis=0, ddof=1) / len(drawn) + sd**2 / 5_000)
    assert (np.abs(ours.mean(axis=0) - mean) < 4 * error + 0.02 * sd).all()
    assert np.array([d.std(axis=0) for d in drawn]).mean(axis=0) == pytest.approx(sd, rel=0.1)


def test_a_start_from_other_readings_is_found_out_of():
    """Draws of another group are a poor start: more rounds are made until the proposal fits."""
    gram, design, scale = group("usual", 22)
    other, other_design, other_scale = group("sparse", 23)
    far = draw_lines(other, other_design, other_scale.prior_precision(), draws=300, rng=np.random.default_rng(1))
    found = draw_lines(gram, design, scale.prior_precision(), draws=500, near=far, rng=np.random.default_rng(2))
    plain = draw_lines(gram, design, scale.prior_precision(), draws=500, rng=np.random.default_rng(3))
    assert found.effective > 50
    assert found.spreads.mean(axis=0) == pytest.approx(plain.spreads.mean(axis=0), abs=0.3)


def test_cycles_without_any_error_are_still_drawn_evenly():
    """All on one line: squares of 1e10 and more must not leave their rounding in the weights."""
    age = np.arange(1.0, 13)
    past = [wear_path(f"c{i}", age, 0.5 + 0.1 * age) for i in range(4)]
    scale = fit_scale(past, SHAPE["linear"], relative=False, with_covariates=False)
    stack = stack_paths(past, scale)
    working, multiplier = first_working(stack)
    gram = path_gram(stack.age_scaled, columns_of(stack, working, 0), multiplier, stack.count)
    drawn = [
        draw_lines(gram, stack.design, scale.prior_precision(), draws=200, rng=np.random.default_rng(seed))
        for seed in range(4)
    ]
    effective = [d.effective for d in drawn]
    assert min(effective) >= 200 / 5 and np.mean(effective) > 50  # a fifth of the draws ends the rounds; 49 were seen

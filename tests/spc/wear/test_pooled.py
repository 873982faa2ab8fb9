import warnings

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from spc.wear.path_evidence import line_evidence, log_marginal
from spc.wear.path_gram import RATIO_GRID, path_gram
from spc.wear.pooled import fit_alone, fit_pooled
from spc.wear.wear_path import wear_path
from tests.spc.wear.shapes import SHAPE


def cycles(rng, n=12, faces=20, slope_sd=0.02, noise=0.35, start=0.7):
    out = []
    for c in range(n):
        age = np.arange(1.0, faces + 1)
        line = start + 0.2 * rng.normal() + (0.06 + slope_sd * rng.normal()) * age
        out.append(wear_path(f"cycle {c}", age, line + noise * rng.normal(size=faces)))
    return out


def dense_log_density(age, y, spreads, prior_sd):
    """Slow reference: the whole covariance of one unit written out."""
    ratio = np.exp(spreads[1])
    error = np.exp(2 * spreads[0]) / (1 + 0.1 * ratio)
    level, slope, rho = np.exp(spreads[2]), np.exp(spreads[3]), np.tanh(spreads[4])
    z = np.column_stack([np.ones_like(age), age])
    between = np.array([[level**2, rho * level * slope], [rho * level * slope, slope**2]])
    cov = z @ (between + np.diag(np.square(prior_sd))) @ z.T
    cov += error * np.eye(age.size) + ratio * error * np.minimum.outer(age, age)
    return multivariate_normal(np.zeros(age.size), cov).logpdf(y)


def test_likelihood_agrees_with_the_covariance_written_out():
    rng = np.random.default_rng(5)
    age, y = np.sort(rng.random(14)), rng.normal(size=14)
    columns = np.column_stack([np.ones(14), age, y])[None]
    gram = path_gram(age[None], columns, np.ones((1, 14)), np.array([14]))
    design = np.eye(2)[None]
    prior_sd = np.array([4.0, 10.0])
    spreads = np.column_stack(
        [rng.normal(-1, 0.5, 6), np.log(RATIO_GRID[[0, 4, 8, 10, 12, 18]]), rng.normal(size=(6, 2)), rng.normal(size=6)]
    )
    evidence = line_evidence(spreads, gram, design)
    ours = log_marginal(evidence, 1 / prior_sd**2)[0]
    theirs = [dense_log_density(age, y, s, prior_sd) for s in spreads]
    assert ours == pytest.approx(theirs, rel=1e-8)


def test_mean_line_and_spreads_agree_with_statsmodels():
    # Second route: MixedLM of statsmodels (REML), random level and slope, no wandering in the data.
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(8)
    past = cycles(rng, n=40, faces=25, slope_sd=0.03)
    pooled = fit_pooled(past, shapes=[SHAPE["linear"]], rng=rng)
    scale, lines = pooled.shapes[0].scale, pooled.shapes[0].lines
    age = np.concatenate([p.age for p in past])
    x = np.column_stack([np.ones_like(age), age])
    groups = np.repeat(np.arange(40), 25)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the reference library's own optimiser remarks
        reference = MixedLM(np.concatenate([p.low for p in past]), x, groups=groups, exog_re=x).fit(reml=True)
    slope = lines.mean[:, 1] * scale.reading_range / scale.age_range
    assert slope.mean() == pytest.approx(reference.fe_params[1], abs=0.15 * reference.bse_fe[1])
    slope_sd = np.exp(lines.spreads[:, 3]) * scale.reading_range / scale.age_range
    assert np.median(slope_sd) == pytest.approx(np.sqrt(reference.cov_re[1, 1]), rel=0.1)


def test_same_seed_same_draws():
    past = cycles(np.random.default_rng(1), 6)
    one = fit_pooled(past, rng=np.random.default_rng(2))
    two = fit_pooled(past, rng=np.random.default_rng(2))
    assert [s.name for s in one.shapes] == [s.name for s in two.shapes]
    assert np.array_equal(one.shapes[0].lines.spreads, two.shapes[0].lines.spreads)


@pytest.mark.parametrize(
    ("truth", "name"),
    [
        (lambda t, r: 1 + 0.2 * r.normal() + (0.9 + 0.1 * r.normal()) * np.log(t), "log"),
        (lambda t, r: 1 + 0.2 * r.normal() + (0.004 + 0.0004 * r.normal()) * t**2, "square"),
        (lambda t, r: np.exp(0.1 * r.normal()) * t ** (0.3 + 0.03 * r.normal()), "power"),
    ],
)
def test_shape_is_found_by_left_out_cycles(truth, name):
    rng = np.random.default_rng(12)
    age = np.arange(1.0, 31)
    past = [wear_path(f"c{i}", age, truth(age, rng) * np.exp(0.02 * rng.normal(size=30))) for i in range(10)]
    best = fit_pooled(past, rng=rng).shapes[0]
    assert best.scale.shape.name == name and best.share > 0.9


def test_cycles_of_one_age_are_left_out_by_name():
    good = cycles(np.random.default_rng(1), 3)
    pooled = fit_pooled([*good, wear_path("stub", [4.0], [1.0])], rng=np.random.default_rng(1))
    assert len(pooled.past) == 3 and pooled.left_out == ("stub: readings at fewer than two ages",)


def test_nothing_to_pool_is_said():
    assert fit_pooled([], rng=np.random.default_rng(1)).refused == "no past cycle with readings at two ages"
    short = wear_path("now", [1, 2, 3], [1, 1, 2])
    assert "3 readings of its own where 6 are needed" in fit_alone(short, rng=np.random.default_rng(1)).refused


@pytest.mark.parametrize(("readings", "stand"), [(7, "all 7 readings"), (2, "both readings")])
def test_readings_at_one_clock_value_are_refused_as_such(readings, stand):
    own = wear_path("now", [5.0] * readings, np.linspace(0.1, 0.5, readings))
    refused = fit_alone(own, rng=np.random.default_rng(1)).refused
    assert refused.endswith(f"{stand} of its own stand at one clock value, 5: they show no course of wear")


def test_callers_paths_are_not_changed():
    past = cycles(np.random.default_rng(1), 3)
    before = [p.low.copy() for p in past]
    fit_pooled(past, limit=1.0, rng=np.random.default_rng(1))
    assert all(np.array_equal(a, p.low) for a, p in zip(before, past, strict=True))


def test_readings_that_never_change_have_no_shape_but_a_straight_line():
    past = [wear_path(f"c{i}", np.arange(10.0), np.full(10, 0.3 + 0.1 * (i % 2))) for i in range(5)]
    assert [shape.name for shape in fit_pooled(past, rng=np.random.default_rng(1)).shapes] == ["linear"]

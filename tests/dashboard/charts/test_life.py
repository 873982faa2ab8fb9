import numpy as np

from dashboard.charts.life import cost_figure, cost_table, survival_figure
from dashboard.theme import LIGHT
from spc.wear.lifetime_fit import choose_lifetime
from spc.wear.recondition_age import recondition_age
from spc.wear.survival import kaplan_meier, turnbull

LIVES = np.random.default_rng(5).weibull(4.0, 30) * 60 + 5


def test_the_curve_falls_in_steps_from_all_to_the_share_left():
    curve = kaplan_meier(LIVES, LIVES)
    figure = survival_figure(curve, LIGHT, clock="faces")
    (line,) = [trace for trace in figure.data if trace.name == "share still good"]
    assert line.line.shape == "hv" and line.y[0] == 100
    np.testing.assert_allclose(np.asarray(line.y[1:], dtype=float), 100 * curve.survival)
    assert figure.layout.xaxis.title.text == "faces since reconditioning"
    assert figure.layout.yaxis.title.text == "cycles that still cut good, %"
    assert all(np.isfinite(np.asarray(trace.y, dtype=float)).all() for trace in figure.data)


def test_the_band_of_late_findings_reaches_down_before_the_first_step():
    low = np.repeat([0.0, 20.0, 40.0], [2, 4, 2])
    curve = turnbull(low, low + 20, rng=np.random.default_rng(1))
    band = next(trace for trace in survival_figure(curve, LIGHT, clock="faces").data if trace.name == "95% band")
    np.testing.assert_allclose(np.asarray(band.y, dtype=float), 100 * np.append(curve.low_before, curve.low))


def test_the_cost_curve_shows_the_ages_as_good_as_the_best_and_running_to_the_limit():
    fit = choose_lifetime(LIVES, LIVES)[0]
    plan = recondition_age(fit, LIVES, LIVES, planned_cost=1.0, worn_cost=10.0, rng=np.random.default_rng(1), draws=100)
    assert plan.status == "range"
    figure = cost_figure(plan, LIGHT)
    best = next(trace for trace in figure.data if trace.name == "as good as the best")
    assert min(best.x) >= plan.flat_low and max(best.x) <= plan.flat_high
    limit = next(trace for trace in figure.data if trace.name == "run to the limit")
    assert set(limit.y) == {plan.limit_cost_per_face}
    assert figure.layout.yaxis.title.text == "cost per face, unit of the costs"


def test_no_age_is_marked_where_none_pays():
    lives = np.random.default_rng(2).exponential(40, 40) + 1
    fit = choose_lifetime(lives, lives)[0]
    plan = recondition_age(fit, lives, lives, planned_cost=1.0, worn_cost=1.01, rng=np.random.default_rng(1), draws=100)
    assert plan.status == "run to the limit"
    assert "as good as the best" not in [trace.name for trace in cost_figure(plan, LIGHT).data]


def test_the_table_of_costs_goes_by_whole_ages_at_the_costs_of_the_curve():
    fit = choose_lifetime(LIVES, LIVES)[0]
    plan = recondition_age(fit, LIVES, LIVES, planned_cost=1.0, worn_cost=10.0, rng=np.random.default_rng(1), draws=100)
    told = cost_table(plan)
    ages = told["faces"].to_numpy()
    assert (ages == np.round(ages)).all() and (np.diff(ages) > 0).all()
    assert plan.ages[0] <= ages[0] and ages[-1] <= plan.ages[-1] and ages.size > 20
    below = np.searchsorted(plan.ages, ages, side="right") - 1
    between = np.minimum(plan.costs[below], plan.costs[np.minimum(below + 1, plan.costs.size - 1)])
    assert (told["cost"].to_numpy() >= between - 5e-5).all()

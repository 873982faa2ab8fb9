import dataclasses

import numpy as np
import pytest

from spc.chart.wear_chart import UsualWear, fit_wear_line, usual_wear, wear_chart


def cycle(n=30, seed=100, slope=0.1):
    rng = np.random.default_rng(seed)
    age = np.sort(rng.choice(60, n, replace=False)).astype(float)
    return age, 1.0 + slope * age + rng.normal(size=n)


def test_limits_equal_the_prediction_interval_of_a_regression():  # outside reference: statsmodels OLS
    import statsmodels.api as sm

    age, value = cycle()
    line = fit_wear_line(age, value)
    at = np.array([0.0, 25.0, 90.0])
    theirs = sm.OLS(value, sm.add_constant(age)).fit().get_prediction(sm.add_constant(at, has_constant="add"))
    frame = theirs.summary_frame(alpha=0.01)
    low, high = line.limits(at, alpha=0.01)
    assert low == pytest.approx(frame["obs_ci_lower"], rel=1e-10)
    assert high == pytest.approx(frame["obs_ci_upper"], rel=1e-10)
    assert line.centre(at) == pytest.approx(frame["mean"], rel=1e-10)


def test_widening_term_by_hand():  # 5 faces at ages 0..4: Sxx 10, mean 2; at age 7: sqrt(1 + 1/5 + 25/10)
    line = fit_wear_line(np.arange(5.0), np.array([0.0, 1.0, 1.5, 3.0, 4.5]))
    assert float(line.widening(7.0)) == pytest.approx((1 + 0.2 + 2.5) ** 0.5, rel=1e-12)


def test_each_face_is_set_against_the_faces_before_it():  # second way: refit before every face
    age, value = cycle()
    chart = wear_chart(age, value, alpha=0.01)
    for i in (3, 10, 29):
        low, high = fit_wear_line(age[:i], value[:i]).limits(age[i], alpha=0.01)
        assert chart.lower[i] == pytest.approx(low, rel=1e-9)
        assert chart.upper[i] == pytest.approx(high, rel=1e-9)
    assert np.isnan(chart.z[:3]).all()


def test_recursive_residuals_equal_statsmodels():  # outside reference: RecursiveLS
    from statsmodels.regression.recursive_ls import RecursiveLS

    age, value = cycle()
    theirs = RecursiveLS(value, np.column_stack([np.ones(age.size), age])).fit().resid_recursive
    ours = [
        (value[i] - float(line.centre(age[i]))) / float(line.widening(age[i]))
        for i in range(2, age.size)
        for line in [fit_wear_line(age[:i], value[:i])]
    ]
    assert ours == pytest.approx(theirs[2:], rel=1e-4)


def test_a_prior_that_says_nothing_gives_the_line_of_the_cycle_alone():
    age, value = cycle()
    blank = UsualWear(0.0, np.inf, 0.0, 1e4, fit_wear_line(age, value).spread, 1e9, 5)
    drawn, alone = wear_chart(age, value, usual=blank), wear_chart(age, value)
    assert drawn.centre[5:] == pytest.approx(alone.centre[5:], rel=1e-5)


def test_prior_of_past_cycles_by_dense_matrices():  # second way: one big normal law
    age, value = cycle(n=8)
    usual = UsualWear(0.8, 0.5, 0.12, 0.05, 1.1, 40.0, 6)
    design = np.column_stack([np.ones(8), age])
    law = design @ np.diag([0.25, 0.0025]) @ design.T + 1.21 * np.eye(8)
    mean = design @ np.array([0.8, 0.12])
    i = 7
    weight = np.linalg.solve(law[:i, :i], law[:i, i])
    chart = wear_chart(age, value, usual=usual)
    assert chart.centre[i] == pytest.approx(mean[i] + weight @ (value[:i] - mean[:i]), rel=1e-9)


def test_past_cycles_say_what_is_usual():
    rng = np.random.default_rng(101)
    age = np.tile(np.arange(25.0), 200)
    label = np.repeat(np.arange(200), 25)
    value = (
        (2 + 0.4 * rng.normal(size=200))[label] + (0.06 + 0.02 * rng.normal(size=200))[label] * age
        + 0.35 * rng.normal(size=age.size)
    )  # fmt: skip
    found = usual_wear(age, value, label)
    assert found.spread == pytest.approx(0.35, rel=0.03)
    assert found.slope == pytest.approx(0.06, abs=4 * 0.02 / 200**0.5)
    assert found.slope_sd == pytest.approx(0.02, rel=0.2)
    assert found.start_sd == pytest.approx(0.4, rel=0.2)
    assert usual_wear(age[:50], value[:50], label[:50]) is None


def test_flat_and_too_few_are_said():
    assert "3 faces are too few for a line" in wear_chart([0.0, 1, 2], [1.0, 2, 3]).sentence
    assert "All 9 readings are equal" in wear_chart(np.arange(9.0), np.ones(9)).sentence
    assert wear_chart([], []).status == "refused"
    one = wear_chart([0.0], [3.0], usual=UsualWear(1.0, 0.5, 0.1, 0.05, 0.4, 30.0, 5))
    assert one.z.size == 1 and one.z[0] > 2


@pytest.mark.parametrize("scale", [1e-12, 1e9])
def test_scale_changes_nothing(scale):
    age, value = cycle()
    assert wear_chart(age, value * scale).z == pytest.approx(wear_chart(age, value).z, rel=1e-6, nan_ok=True)
    usual = UsualWear(0.8, 0.5, 0.12, 0.05, 1.1, 40.0, 6)
    scaled = dataclasses.replace(
        usual, **{k: getattr(usual, k) * scale for k in ("start", "start_sd", "slope", "slope_sd", "spread")}
    )
    assert wear_chart(age, value * scale, usual=scaled).z == pytest.approx(wear_chart(age, value, usual=usual).z)


def test_ages_shared_and_exact_lines_stay_finite():
    assert np.isfinite(wear_chart(np.arange(10.0), np.arange(10.0)).z[3:]).all()
    chart = wear_chart([0.0, 0.0, 0.0, 1.0, 2.0, 3.0], [1.0, 2.0, 1.5, 2.0, 2.2, 2.1])
    assert np.isnan(chart.z[3])
    assert np.isfinite(chart.z[4:]).all()


def test_refuses_bad_arguments():
    with pytest.raises(ValueError, match="`age` must not decrease"):
        wear_chart([2.0, 1.0, 3.0, 4.0], [1.0, 2.0, 3.0, 4.0])
    with pytest.raises(ValueError, match="`age` and `value` must be finite"):
        wear_chart([0.0, 1.0], [np.nan, 1.0])
    with pytest.raises(ValueError, match="needs at least 2 faces of different age"):
        fit_wear_line([1.0, 1.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="limits need at least 3 faces"):
        fit_wear_line([1.0, 2.0], [1.0, 2.0]).limits(3.0, alpha=0.01)
    with pytest.raises(ValueError, match="`alpha` must be between 0 and 1"):
        wear_chart([0.0], [1.0], alpha=0)

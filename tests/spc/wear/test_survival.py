import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from spc.wear.lifetime import LEAST_EVENTS
from spc.wear.survival import kaplan_meier, survival_curve, turnbull

SOURCES = Path(__file__).parents[2] / "sources"


def lives(times, seen):
    times = np.asarray(times, float)
    return times, np.where(seen, times, np.inf)


def freireich():
    data = pd.read_csv(SOURCES / "kaplan_meier_6mp.csv").query("treat == '6-MP'")
    return lives(data["time"].to_numpy(), data["event"].to_numpy() == 1)


def test_matches_published_leukaemia_curve():
    # Freireich et al. (1963), 6-MP arm: survival and Greenwood error as printed in survival textbooks (from memory).
    published = json.loads((SOURCES / "kaplan_meier_6mp.json").read_text())["published_S_and_greenwood_se"]
    curve = kaplan_meier(*freireich())
    assert curve.age.tolist() == [float(t) for t in published]
    for (survival, error), s, e in zip(published.values(), curve.survival, curve.standard_error, strict=True):
        assert s == pytest.approx(survival, abs=5e-4)
        assert e == pytest.approx(error, abs=6e-5)
    assert curve.median() == 23


def test_agrees_with_a_reference_library():  # second way: statsmodels
    from statsmodels.duration.survfunc import SurvfuncRight

    rng = np.random.default_rng(3)
    times, limit = rng.integers(1, 40, 200), rng.integers(1, 40, 200)
    low, high = lives(np.minimum(times, limit), times <= limit)
    curve = kaplan_meier(low, high)
    reference = SurvfuncRight(low, (low == high).astype(int))
    assert curve.survival == pytest.approx(reference.surv_prob)
    assert curve.standard_error[:-1] == pytest.approx(reference.surv_prob_se[:-1])


def test_log_log_band_by_its_definition():
    curve = kaplan_meier(*freireich())
    z = 1.959963984540054
    s, error = curve.survival[0], curve.standard_error[0]
    theta = z * error / (s * np.log(s))
    assert sorted([s ** np.exp(theta), s ** np.exp(-theta)]) == pytest.approx([curve.low[0], curve.high[0]])
    assert np.all((curve.low < curve.survival) & (curve.survival < curve.high))


def test_turnbull_without_intervals_is_kaplan_meier():  # second way
    low, high = freireich()
    curve = turnbull(low, high, rng=np.random.default_rng(1), resamples=0)
    assert curve.at(kaplan_meier(low, high).age) == pytest.approx(kaplan_meier(low, high).survival, abs=1e-6)


def test_turnbull_by_brute_force():  # second way: direct maximisation over the mass of each innermost interval
    from scipy.optimize import minimize

    low, high = np.array([0.0, 1, 2, 0, 3, 4, 2]), np.array([2.0, 3, 4, 1, 6, np.inf, 2])
    curve = turnbull(low, high, rng=np.random.default_rng(1), resamples=0)
    ends = np.array([1.0, 2, 3, 4, 6, 9])

    def negative(logits):
        p = np.exp(logits - logits.max())
        p /= p.sum()
        inside = ((ends > low[:, None]) & (ends <= high[:, None])) | (ends == low[:, None]) & (low == high)[:, None]
        return -np.sum(np.log(np.maximum(inside @ p, 1e-300)))

    options = {"maxiter": 40000, "maxfev": 40000, "xatol": 1e-9, "fatol": 1e-13}
    starts = np.random.default_rng(0).normal(0, 1, (4, 6))
    best = min(minimize(negative, x, method="Nelder-Mead", options=options).fun for x in starts)
    p = np.zeros(ends.size)
    for age, mass in zip(curve.age, curve.events / 7, strict=True):
        p[np.flatnonzero(ends == age)[0]] += mass
    p[-1] += 1 - p.sum()
    assert negative(np.log(np.maximum(p, 1e-12))) == pytest.approx(best, abs=1e-4)


def test_intervals_choose_turnbull_and_its_band_holds_the_curve():
    rng = np.random.default_rng(4)
    check = rng.integers(1, 60, 60) * 1.0
    life = rng.weibull(2, 60) * 40
    low, high = np.where(life > check, check, 0.0), np.where(life > check, np.inf, check)
    curve = survival_curve(low, high, rng=rng)
    assert curve.method == "Turnbull"
    assert np.all((curve.low <= curve.survival + 1e-9) & (curve.survival <= curve.high + 1e-9))


def test_a_band_of_late_findings_knows_neither_the_end_nor_what_lies_between_two_checks():
    low, high = np.repeat([0.0, 20.0, 40.0], [2, 4, 2]), np.repeat([20.0, 40.0, 60.0], [2, 4, 2])
    curve = turnbull(low, high, rng=np.random.default_rng(1))
    assert curve.survival == pytest.approx([0.75, 0.25, 0.0])
    # None of 8 survives: exact binomial bound (Clopper and Pearson 1934), a half of 5 % on that side.
    assert curve.high[-1] == pytest.approx(1 - 0.025 ** (1 / 8))
    assert curve.low_before < 0.75 < 1.0  # they may have worn out soon after the start
    assert curve.low[0] < 0.25 and curve.low[1] == 0.0  # and soon after the first check


def test_under_five_events_only_counts():
    low, high = lives([3, 4, 5, 6, 7, 8], [True, True, True, True, False, False])
    curve = kaplan_meier(low, high)
    assert curve.status == "counts only"
    assert "only 4 of 6 cycles ended worn" in curve.reason
    assert survival_curve([0.0], [5.0], rng=np.random.default_rng(1)).status == "counts only"


def test_half_worn_is_half_worn_to_the_last_life():  # the product of the steps is off one half in its last digit
    for n in range(LEAST_EVENTS, 80):
        lives = np.arange(1.0, n + 1)
        assert kaplan_meier(lives, lives).median() == (n + 1) // 2


def test_all_worn_ends_at_zero():
    curve = kaplan_meier([1.0, 2, 3, 4, 5], [1.0, 2, 3, 4, 5])
    assert curve.survival[-1] == pytest.approx(0)
    assert np.isfinite([*curve.low, *curve.high]).all()


def test_refuses_what_are_no_lives():
    with pytest.raises(ValueError, match=r"life 1 is 5 to 3"):
        kaplan_meier([1.0, 5.0], [1.0, 3.0])
    with pytest.raises(ValueError, match="use `turnbull` for intervals"):
        kaplan_meier([1.0], [2.0])
    with pytest.raises(ValueError, match="must be of one length"):
        kaplan_meier([1.0], [1.0, 2.0])

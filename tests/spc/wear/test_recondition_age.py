import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, optimize, special, stats

from spc.wear.lifetime_fit import fit_lifetime
from spc.wear.recondition_age import cost_per_face, recondition_age

# Age replacement by renewal-reward theory, Barlow and Proschan (1965); numbers computed two ways, see the .json beside.
OPTIMA = pd.read_csv(Path(__file__).parents[2] / "sources" / "age_replacement.csv").query("life == 'weibull'")


def cheapest(**law):
    """Age of least cost per face between a fiftieth of the usual life and five of them."""
    found = optimize.minimize_scalar(
        lambda age: float(cost_per_face(age, **law)), bounds=(0.02, 5.0), method="bounded", options={"xatol": 1e-10}
    )
    return float(found.x)


@pytest.mark.parametrize("row", list(OPTIMA.itertuples()), ids=lambda row: f"shape{row.shape}-ratio{row.Index}")
def test_matches_reference_optimum(row):
    law = {"family": "weibull", "location": 0.0, "spread": 1 / row.shape, "planned_cost": 1.0}
    law["worn_cost"] = float(row.cost_ratio_failure_to_planned)
    age = cheapest(**law)
    assert age == pytest.approx(row.t_opt_root, abs=2e-5)
    assert cost_per_face(age, **law) == pytest.approx(row.cost_rate_min, abs=1e-6)


def test_the_optimum_satisfies_its_condition():  # second way: hazard x used faces - share worn = 1 / (ratio - 1)
    k, ratio = 3.0, 5.0
    age = cheapest(family="weibull", location=0.0, spread=1 / k, planned_cost=1.0, worn_cost=ratio)
    t = np.linspace(0, age, 200_001)
    used = np.trapezoid(np.exp(-(t**k)), t)
    assert k * age ** (k - 1) * used - (1 - math.exp(-(age**k))) == pytest.approx(1 / (ratio - 1), abs=1e-5)


@pytest.mark.parametrize("family", ["weibull", "lognormal"])
def test_cost_agrees_with_counting_cycles(family):  # second way: simulated renewals, bound = 4 standard errors
    rng = np.random.default_rng(6)
    life = 50 * rng.weibull(2, 200_000) if family == "weibull" else rng.lognormal(math.log(50), 0.5, 200_000)
    faces, cost = np.minimum(life, 30), np.where(life > 30, 1.0, 5.0)
    simulated = cost.sum() / faces.sum()
    error = np.std(cost - simulated * faces) / faces.mean() / life.size**0.5
    expected = cost_per_face(30, family=family, location=math.log(50), spread=0.5, planned_cost=1, worn_cost=5)
    assert simulated == pytest.approx(float(expected), abs=4 * error)


@pytest.mark.parametrize("family", ["weibull", "lognormal"])
@pytest.mark.parametrize("spread", [0.005, 0.4, 1.5])
def test_cost_agrees_with_integrating_the_survivors(family, spread):  # second way: the integral by quadrature
    for age in (2.0, 20.0, 60.0, 200.0):

        def survivors(t, family=family, spread=spread):
            z = (np.log(t) - math.log(60)) / spread
            return float(np.exp(-np.exp(min(z, 600.0)))) if family == "weibull" else float(stats.norm.sf(z))

        breaks = [b for b in (40.0, 55.0, 60.0, 65.0, 90.0) if b < age]
        used = sum(
            integrate.quad(survivors, a, b, epsabs=1e-10)[0]
            for a, b in zip([1e-12, *breaks], [*breaks, age], strict=True)
        )
        expected = (survivors(age) + 4 * (1 - survivors(age))) / used
        found = cost_per_face(
            age, family=family, location=math.log(60), spread=spread, planned_cost=1.0, worn_cost=4.0
        )  # fmt: skip
        assert float(found) == pytest.approx(expected, rel=1e-6)


def test_no_finite_age_when_wearing_out_does_not_rise():
    law = {"family": "weibull", "location": math.log(100), "planned_cost": 1.0, "worn_cost": 5.0}
    assert cost_per_face(np.inf, **law, spread=1.0) == pytest.approx(0.05)
    ages = np.geomspace(1, 2000, 60)
    for spread in (1.0, 1.4):
        assert np.all(cost_per_face(ages, **law, spread=spread) >= cost_per_face(np.inf, **law, spread=spread) - 1e-9)


def fitted(life, **costs):
    fit = fit_lifetime(life, life)
    return recondition_age(
        fit, life, life, rng=np.random.default_rng(1), **({"planned_cost": 1, "worn_cost": 5} | costs)
    )


def test_range_holds_the_true_optimum_and_widens_with_ignorance():
    rng = np.random.default_rng(7)
    many, few = fitted(100 * rng.weibull(3, 400)), fitted(100 * rng.weibull(3, 12))
    assert many.flat_low < 50.3 < many.flat_high  # shape 3, scale 100, ratio 5
    assert many.cost_per_face == pytest.approx(0.0303, rel=0.1)
    assert few.flat_low < few.age < few.flat_high
    assert (few.saving_high - few.saving_low) > (many.saving_high - many.saving_low)
    assert many.sentence.startswith("Of all fixed ages, reconditioning costs least between")


def test_a_saving_that_the_lives_do_not_show_is_not_promised():
    """Lives that do not age: no planned age pays, whatever a few of them seem to say."""
    life = np.ceil(30 * np.random.default_rng(10).exponential(size=16))
    found = fitted(life, worn_cost=30)
    assert found.status == "range" and found.saving_low < 0 < found.saving_high
    words = f"from {-found.saving_low:.0%} dearer to {found.saving_high:.0%} cheaper than running to the limit."
    assert found.sentence.endswith(words)
    assert "dearer" not in fitted(100 * np.random.default_rng(7).weibull(3, 400)).sentence


def optimum(shape, ratio, scale):
    """Root of hazard x used faces - share worn = 1 / (ratio - 1), Barlow and Proschan (1965), section 3.2."""

    def condition(x):
        used = special.gamma(1 + 1 / shape) * special.gammainc(1 / shape, x**shape)
        return shape * x ** (shape - 1) * used + math.expm1(-(x**shape)) - 1 / (ratio - 1)

    return scale * optimize.brentq(condition, 1e-6, 20.0, xtol=1e-12)


@pytest.mark.parametrize("ratio", [5.0, 1e3, 1e4, 1e5])
@pytest.mark.parametrize("shape", [1.5, 3.0, 8.0])
def test_the_age_of_least_cost_is_found_wherever_it_lies(shape, ratio):
    life = 500 * (-np.log1p(-(np.arange(5_000) + 0.5) / 5_000)) ** (1 / shape)  # a law known all but exactly
    found, true = fitted(life, worn_cost=ratio), optimum(shape, ratio, 500)
    law = {"family": "weibull", "location": math.log(500), "spread": 1 / shape, "planned_cost": 1, "worn_cost": ratio}
    least, at_limit = float(cost_per_face(true, **law)), float(cost_per_face(np.inf, **law))
    if true < 1:
        assert found.status == "after every face" and found.age == found.flat_low == 1
        return
    assert found.age == pytest.approx(true, rel=0.06)
    low = optimize.brentq(lambda t: cost_per_face(t, **law) - 1.05 * least, true / 10, true)
    assert found.flat_low == pytest.approx(low, rel=0.06)
    if 1.05 * least < at_limit:
        high = optimize.brentq(lambda t: cost_per_face(t, **law) - 1.05 * least, true, true * 100)
        assert found.flat_high == pytest.approx(high, rel=0.06)


def test_the_range_of_the_saving_holds_the_true_one():
    """Nine laws in ten: of groups of few cycles, some taken off before they were worn."""
    costs, rng, held = {"planned_cost": 1.0, "worn_cost": 4.0}, np.random.default_rng(2), []
    for shape, cycles in ((3.0, 15), (5.0, 12)) * 30:
        life, off = np.ceil(40 * rng.weibull(shape, cycles)), np.ceil(rng.uniform(5, 150, cycles))
        low, high = np.minimum(life, off), np.where(life <= off, life, np.inf)
        fit = fit_lifetime(low, high)
        found = recondition_age(fit, low, high, rng=rng, draws=200, **costs)
        law = {"family": "weibull", "location": math.log(40), "spread": 1 / shape, **costs}
        saved = 1 - float(cost_per_face(found.age, **law)) / float(cost_per_face(np.inf, **law))
        held.append(found.saving_low <= saved <= found.saving_high)
    assert np.mean(held) >= 0.9 - 4 * (0.09 / len(held)) ** 0.5


def test_no_planned_age_is_shorter_than_one_face():
    life = np.ceil(60 * np.random.default_rng(1).weibull(1.5, 40))
    found = fitted(life, worn_cost=1e6)
    assert found.status == "after every face" and found.age == 1
    assert "the shortest, one face, costs least" in found.sentence
    assert "00,000 when run to the limit" in fitted(life, worn_cost=1e9).sentence  # no power of ten
    by_minutes = fitted(life * 7, worn_cost=1e6, clock="minutes", one_face=7)
    assert by_minutes.status == "after every face" and by_minutes.age == pytest.approx(7)


def test_run_to_the_limit_and_counts_only_are_said():
    rng = np.random.default_rng(8)
    flat = fitted(50 * rng.weibull(0.8, 200))
    assert flat.status == "run to the limit"
    assert flat.no_age_share > 0.9
    few = fitted(np.array([10.0, 20.0]))
    assert few.status == "counts only"
    assert "needs at least 5" in few.sentence


def test_refuses_costs_that_do_not_fit():
    with pytest.raises(ValueError, match="`worn_cost` must be greater than `planned_cost`"):
        fitted(np.arange(1.0, 9.0), worn_cost=0.5)
    with pytest.raises(ValueError, match="`age` must be greater than 0"):
        cost_per_face(0, family="weibull", location=0, spread=1, planned_cost=1, worn_cost=2)

import numpy as np
import pytest
from scipy.stats import chi2

from spc.capability.gauge_plan import plan_gauge, step_efficiency
from spc.capability.gauge_steps import fit_stepped
from tests.spc.capability.gauge_made_up import made_up


def test_exact_readings_follow_the_chi_square_interval():
    plan = plan_gauge(width=0.5).plans[0]
    df = plan.readings - plan.faces - plan.readers + 1
    assert plan.df == df
    assert (plan.low, plan.high) == pytest.approx([np.sqrt(df / chi2.ppf(p, df)) for p in (0.975, 0.025)])
    assert plan.high - plan.low <= 0.5


def test_two_readers_say_little_of_readers():
    # Upper end of a standard deviation on one degree of freedom, 1/sqrt(chi2(0.025, 1)) = 31.9.
    assert plan_gauge(readers=(2,)).plans[0].reader_high == pytest.approx(31.9, abs=0.05)
    assert "one reader says nothing" in plan_gauge(readers=(1,)).sentence


def test_efficiency_is_one_for_fine_steps_and_falls_with_the_step():
    shares = [step_efficiency(x) for x in (20.0, 3.0, 1.0, 0.5, 0.2, 0.1)]
    assert shares[0] == 1.0 and shares == sorted(shares, reverse=True) and shares[-1] < 0.1
    # For a fine step rounding adds step^2/12 to the variance of each reading: information (1 + w^2/12 s^2)^-2.
    assert step_efficiency(1.0) == pytest.approx((1 + 1 / 12) ** -2, abs=0.005)


# Step 0.5, true sd of the reader 0.1, 0.2, 0.3: identical pairs 77, 57, 42 % (simulated apart from this code, to the
# digits given).
@pytest.mark.parametrize(("sd", "identical"), [(0.1, 0.77), (0.2, 0.57), (0.3, 0.42)])
def test_identical_pairs_to_be_expected_are_as_simulated(sd, identical):
    planning = plan_gauge(step_ratio=0.5 / sd)
    assert planning.identical_share == pytest.approx(identical, abs=0.005)
    assert f"{planning.identical_share:.0%} of the pairs of readings of one face will be identical" in planning.sentence
    rng = np.random.default_rng(17)
    pairs = rng.uniform(0, 40, (200_000, 1)) + sd * rng.normal(size=(200_000, 2))
    read = np.round(pairs / 0.5) * 0.5
    same = float(np.mean(read[:, 0] == read[:, 1]))
    assert planning.identical_share == pytest.approx(same, abs=4 * (same * (1 - same) / 200_000) ** 0.5)
    exact = plan_gauge()
    assert exact.identical_share == 0.0 and "identical" not in exact.sentence


def test_coarser_steps_ask_for_more_readings():
    readings = [plan_gauge(step_ratio=r).plans[0].readings for r in (0.0, 1.0, 2.0, 4.0)]
    assert readings == sorted(readings) and readings[-1] > 2 * readings[0]


def test_planned_study_reaches_its_width():
    # Second way: carry the planned study out on made-up faces and take the interval's mean width.
    plan = plan_gauge(width=0.8, step_ratio=2.0, readers=(2,)).plans[0]
    widths = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        fit = fit_stepped(made_up(rng, faces=plan.faces, readers=2, repeats=plan.repeats, sd=0.25, median=3.0))
        widths.append((fit.high_um - fit.low_um) / 0.25)
    assert np.mean(widths) == pytest.approx(plan.high - plan.low, rel=0.25)


def test_out_of_reach_is_said():
    planning = plan_gauge(step_ratio=20.0)
    assert planning.status == "out of reach" and "Read in finer steps" in planning.sentence


@pytest.mark.parametrize(
    ("name", "value"), [("width", 0.0), ("level", 1.0), ("step_ratio", -1.0), ("step_ratio", np.nan), ("readers", ())]
)
def test_bad_input(name, value):
    with pytest.raises(ValueError, match=f"`{name}` must"):
        plan_gauge(**{name: value})

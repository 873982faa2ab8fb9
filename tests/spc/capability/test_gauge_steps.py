import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import chi2, norm

from spc.capability.gauge_readings import gauge_readings
from spc.capability.gauge_steps import fit_stepped
from tests.spc.capability.gauge_made_up import made_up


@pytest.mark.parametrize("sd", [0.1, 0.2, 0.3])
def test_finds_the_spread_that_differences_overstate(sd):
    fit = fit_stepped(made_up(np.random.default_rng(31), faces=150, sd=sd, median=3.0))
    assert fit.status == "fitted"
    assert fit.sd_um == pytest.approx(sd, rel=0.17)
    assert fit.low_um < sd < fit.high_um
    assert fit.high_um - fit.low_um < 0.6 * sd


def test_all_equal_is_an_upper_bound_and_not_a_perfect_gauge():
    readings = gauge_readings(np.repeat(np.arange(10), 4).tolist(), ["a", "a", "b", "b"] * 10, [0.75] * 40, [1.25] * 40)
    fit = fit_stepped(readings)
    assert (fit.status, fit.sd_um, fit.low_um) == ("bounded", 0.0, 0.0)
    # Second route: faces and readers in the middle of the step at best, so n log(2 Phi(w/2s) - 1) is the profile.
    allowed = chi2.ppf(0.95, 1) / 2
    bound = brentq(lambda s: 40 * np.log(2 * norm.cdf(0.25 / s) - 1) + allowed, 0.01, 1.0)
    assert fit.high_um == pytest.approx(bound, rel=0.01)
    assert 0 < fit.most_offset_um < 0.5


def test_more_identical_repeats_bound_it_lower():
    def bound(faces):
        low = np.repeat(0.5 * (np.arange(faces) % 4) + 0.25, 2)
        face = np.repeat(np.arange(faces), 2).tolist()
        return fit_stepped(gauge_readings(face, ["a"] * 2 * faces, low, low + 0.5)).high_um

    assert bound(40) < bound(10) < bound(4)


def test_reader_habits_are_not_taken_for_noise():
    rng = np.random.default_rng(12)
    true = np.repeat(rng.uniform(1, 4, 60), 4)
    who = np.tile([0, 0, 1, 1], 60)
    read = np.round((true + np.where(who == 0, 0.3, -0.3) + 0.1 * rng.normal(size=240)) / 0.5) * 0.5
    face = np.repeat(np.arange(60), 4).tolist()
    fit = fit_stepped(gauge_readings(face, who.tolist(), read - 0.25, read + 0.25))
    assert fit.low_um < 0.1 < fit.high_um


def test_exact_and_wide_readings_go_another_road():
    assert fit_stepped(made_up(np.random.default_rng(1), step=0)).status == "exact"
    assert fit_stepped(made_up(np.random.default_rng(1), step=0.001)).status == "exact"


def test_unit_does_not_matter():
    readings = made_up(np.random.default_rng(2))
    scaled = gauge_readings(
        readings.face.tolist(), readings.reader.tolist(), readings.low_um * 293.78, readings.high_um * 293.78
    )
    here, there = fit_stepped(readings), fit_stepped(scaled)
    assert there.sd_um == pytest.approx(293.78 * here.sd_um, rel=0.01)
    assert there.high_um == pytest.approx(293.78 * here.high_um, rel=0.01)


def test_level_is_checked():
    with pytest.raises(ValueError, match="`level` must be from 0.5"):
        fit_stepped(made_up(np.random.default_rng(1)), level=1.0)


def test_the_slope_is_that_of_the_likelihood():
    """Second route: differences of the likelihood itself, three readers, readings down to zero among them."""
    from spc.capability.gauge_steps import _Likelihood

    rng = np.random.default_rng(8)
    readings = made_up(rng, sd=0.2, reader_sd=0.1, step=0.5)
    law = _Likelihood(readings, readings.step_um)
    for theta in (law.start, law.start + 0.2, law.start - 0.3):
        _, slope = law(theta)
        by_differences = [(law(theta + 1e-5 * e)[0] - law(theta - 1e-5 * e)[0]) / 2e-5 for e in np.eye(theta.size)]
        assert slope == pytest.approx(by_differences, abs=1e-6)
